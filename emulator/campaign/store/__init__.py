"""What is kept of a campaign: one table of rows, appended file by file, readable at any moment."""
