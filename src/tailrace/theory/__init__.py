"""What do the closed forms say? Queueing theory on plain numbers: seconds, requests a second, shares."""
