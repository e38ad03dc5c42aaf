"""Physical simulator with known truth: demo data, tests, what-if pictures."""
