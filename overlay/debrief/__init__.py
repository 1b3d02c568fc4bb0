"""The flight's findings on one self-contained page."""
