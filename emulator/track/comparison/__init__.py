"""A record beside what the model does: short predictions, equal stations, steady figures."""
