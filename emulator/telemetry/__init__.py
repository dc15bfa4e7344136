"""What a run tells over MQTT, and the few commands it takes from there."""
