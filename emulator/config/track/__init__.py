"""Files about logs of the track."""
