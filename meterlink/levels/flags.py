"""Former name of ``meterlink.levels.test_flags``."""

from meterlink.levels.test_flags import MEANINGS, Flag

__all__ = ["MEANINGS", "Flag"]
