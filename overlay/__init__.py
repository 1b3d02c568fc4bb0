"""overlay: puts the files of a long-range model flight on one clock and shows what the flight was worth."""

__version__ = "0.1.0"
