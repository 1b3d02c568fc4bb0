"""Instruments composited on the decoded planes and encoded, without a full-frame conversion."""
