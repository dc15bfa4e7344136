"""Many runs from one plan: what is ridden, what is kept of it, what it says."""
