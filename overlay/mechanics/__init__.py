"""Geodesy, legs, wind and energy of a flight, from arrays."""
