"""One block of memory between the processes of a run; single-writer rings, nobody waits."""
