"""Readings become levels, a step, a drop and a verdict. Pure: no I/O, no clock, no printing."""
