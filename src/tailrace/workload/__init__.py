"""What do the clients ask for, and when? All randomness of a run lives here."""
