"""Neumary reads photographed plainchant: staves, signs, clefs and pitches."""

__version__ = "0.1.0"
