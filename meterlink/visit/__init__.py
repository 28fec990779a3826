"""A visit as a state machine: readings and keys in, things to show out. No I/O, no printing."""
