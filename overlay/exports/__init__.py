"""The flight's findings in the open formats that other programs read."""
