"""Training clips: the moments worth teaching, cut frame by frame with a card, a held or slowed moment and a caption."""
