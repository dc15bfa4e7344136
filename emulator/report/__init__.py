"""What a person gets to see of a run: page, figures, sentences, terminal."""
