"""What goes on a wire, as bytes: frames from a DBC, end-to-end protection, NMEA 0183. Pure: no sockets."""
