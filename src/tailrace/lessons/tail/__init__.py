"""Why the p99 grows before the mean does."""
