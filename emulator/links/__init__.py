"""Transports: CAN buses, the virtual bus, and GNSS ports. Bytes and frames only, no meaning."""
