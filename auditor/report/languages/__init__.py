"""One file for each language: every sentence of the pages for the household."""
