"""What a vehicle is and can do, as figures beside what is usual."""
