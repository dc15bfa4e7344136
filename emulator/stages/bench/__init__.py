"""A bench run: the supervisor, its child processes, the operator's keyboard, a scenario's hook."""
