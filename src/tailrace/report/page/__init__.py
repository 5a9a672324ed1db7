"""What does one hand over? The answer as a page that stands by itself."""
