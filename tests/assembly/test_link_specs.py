"""What a rig's words become on the way to its links."""

from emulator.assembly.link_specs import sole_uses
from emulator.config.rig.buses import SerialBus, SocketcanBus
from emulator.config.rig.ports import PtyPort, PulsePerSecond, SerialPort, UdpPort
from tests.support.scripted_robot import variant


def test_what_a_loop_must_have_for_itself(session):
    def uses(**rig):
        return sole_uses(variant(session, rig=rig).rig)

    assert uses() == []  # a bus served by this run itself, and a pseudo terminal of its own
    assert uses(bus=SocketcanBus(kind="socketcan", channel="can0")) == [("CAN interface", "can0")]
    assert uses(
        bus=SerialBus(kind="serial", device="/dev/a"),
        gnss_port=SerialPort(kind="serial", device="/dev/b", baud=115_200),
        pulse_per_second=PulsePerSecond(device="/dev/c", line="rts"),
    ) == [("serial device", f"/dev/{name}") for name in "abc"]
    assert uses(gnss_port=UdpPort(kind="udp", host="10.0.0.1", port=5000)) == [
        ("GNSS receiver at", "10.0.0.1:5000 (UDP)")
    ]
    assert uses(gnss_port=PtyPort(kind="pty", path="/run/gnss")) == [("pseudo terminal", "/run/gnss")]
