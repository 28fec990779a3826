"""Test rows become a wiring tree with probabilities. Pure: no I/O, no clock, no printing."""
