"""The bike's own electronics: what stands between the rider's levers and brakes, engine and clutch."""
