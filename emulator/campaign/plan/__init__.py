"""What a campaign rides: the plan file, its cases, what each of them is made from."""
