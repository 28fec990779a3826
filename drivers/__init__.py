"""Bytes become readings here: decoders, captures and the links that move bytes.

This package knows nothing of ``meterlink``; imports run the other way only.
"""
