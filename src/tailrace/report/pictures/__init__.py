"""What does an answer look like as a picture? Figures for screens, pages and paper, in one style."""
