"""Case after case in kept processes, in the order asked for, whatever dies on the way."""
