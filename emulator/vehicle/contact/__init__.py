"""Where the vehicle touches the road: tyres and their rubber, and the hard parts it scrapes and lies on."""
