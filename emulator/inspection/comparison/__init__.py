"""A record beside the model, or beside another record: carried out, and shown."""
