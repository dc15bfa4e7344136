"""The motorcycle: tree of bodies, tyres, driveline; its equilibria and modes. Pure."""
