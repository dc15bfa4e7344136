"""What campaigns say about one version of a robot's software, put together for those who decide."""
