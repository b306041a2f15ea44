"""The report as one HTML file (HTML Living Standard): no scripts, no fonts, no requests to anywhere."""
