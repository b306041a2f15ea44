"""The nightly watch: one scheduled run that tells only what changed."""
