"""The scenario file: circuit or manoeuvre, events, criteria, parameters, hook."""
