"""The test log: one row a test, durable, append only."""
