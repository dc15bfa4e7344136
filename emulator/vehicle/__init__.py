"""The motorcycle: tree of bodies, tyres, driveline, road; its equilibria and modes. Pure."""
