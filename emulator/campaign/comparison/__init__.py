"""Two nights compared: what newly fails, what is mended, which margins shrank, and how sure that is."""
