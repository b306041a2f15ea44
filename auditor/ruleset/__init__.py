"""Facts and rules to assessments and findings, in three-valued logic."""
