"""The plan of a campaign: which runs, what varies in them, how far it may go, what is kept."""
