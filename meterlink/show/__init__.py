"""What people look at: the drawing in the terminal, the report, the page."""
