"""Pictures of one run as SVG (W3C SVG 2): one picture, one file; the same data give the same octets."""
