"""What a page draws: over time, from above, the envelope; how numbers travel and what detail is kept."""
