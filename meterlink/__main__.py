"""``python -m meterlink``."""

from meterlink.cli import main

main()
