"""What do replications say together? Lengths, figures with intervals, verdicts, notes."""
