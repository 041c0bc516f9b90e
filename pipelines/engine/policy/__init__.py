"""Limits, risk, measures, accepted words and clocks: what an agency decides."""
