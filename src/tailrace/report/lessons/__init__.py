"""What does a lesson look like? Pictures, and a page with the reasoning and the numbers."""
