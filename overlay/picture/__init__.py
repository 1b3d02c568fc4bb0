"""How good the live picture is, frame by frame, and when it broke up. Arrays in, result out."""
