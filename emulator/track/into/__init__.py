"""Channels of logs brought together and made a record."""
