"""A copy of a recording that holds the chosen devices and nobody's secrets."""
