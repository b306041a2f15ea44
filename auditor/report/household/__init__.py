"""The page for the household: one printed side, plain words, no addresses."""
