"""Answers that the order is for: protection, faults, what must be dead. Pure computation."""
