"""What happens during a ride and when: triggers, faults on samples, frames and actuators. Pure."""
