"""Propagation, aerials, budget and causes. Arrays in, result out."""
