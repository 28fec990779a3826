"""From meter readings to the wiring order of the receptacles on one breaker."""

__version__ = "0.1.0"
