"""What was judged over time: runs, redacted audits, what is known of the home, and what changed."""
