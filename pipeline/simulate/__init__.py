"""Captures with known truth: invented fittings, scenes around them, a scanner that looks at them, jobs made of that."""
