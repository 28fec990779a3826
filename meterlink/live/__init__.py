"""A meter that is connected now: its readings, what goes wrong with it, and the recording."""
