"""Two motions to one clock: correlation, refinement, verdict. Arrays in, result out."""
