"""What does an answer look like? Tables for a terminal, and files."""
