"""A package by name, so that one of the same name inside an installed library does not take its place."""
