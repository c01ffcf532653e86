"""The runtime of a small competition robot. Knows no device, no course and no behaviour."""

__version__ = "0.1.0"
