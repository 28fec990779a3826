"""The test lab: statistics of repeat trials, many captures at once, the log as data."""
