"""Invented circuits and the voltages on them, for the demonstration, tests and benchmarks."""
