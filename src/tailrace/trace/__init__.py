"""What does a recorded file hold? Requests as somebody measured them, from CSV into columns."""
