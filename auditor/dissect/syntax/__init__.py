"""Grammars that several protocols share; protocols do not import each other."""
