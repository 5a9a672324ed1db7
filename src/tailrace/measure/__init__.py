"""What may be claimed from a sample? Warm-up, intervals, quantiles, verdicts; numpy and scipy only."""
