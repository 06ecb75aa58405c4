"""Studies on simulated tanks, each rerun by one command; results lie under reports/."""
