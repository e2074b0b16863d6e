"""nightmill: captures in by day, checked deliverables by morning."""

__version__ = "0.1.0"
