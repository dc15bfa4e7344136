"""What a record shows: criteria and their judges, laps, localisation, and the verdict on the run."""
