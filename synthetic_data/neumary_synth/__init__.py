"""The page renderer: chant pages drawn with a pen model, with exact truth."""
