"""Which test is worth doing next. Pure: no I/O, no clock, no printing."""
