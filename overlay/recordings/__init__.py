"""Video recordings: probing and decoding any container through one clock."""
