"""A real broker: Debian's mosquitto with a password and TLS, started for the tests on a free port."""

import random
import shutil
import socket
import subprocess
import time
from contextlib import closing, suppress
from pathlib import Path

from emulator.config.rig.shown.telemetry import MqttTelemetry, read_secrets
from emulator.telemetry.publisher import Broker

USER, PASSWORD, KEY = "bench", "only for tests", "sixteen bytes of key at least"


def free_port():
    """Below those that the kernel hands out: while the broker is away nobody else gets it."""
    first_handed_out = int(Path("/proc/sys/net/ipv4/ip_local_port_range").read_text().split()[0])
    for port in random.SystemRandom().sample(range(first_handed_out - 10_000, first_handed_out), 100):
        with closing(socket.socket()) as s, suppress(OSError):
            s.bind(("127.0.0.1", port))
            return port
    raise AssertionError("no port is free")


class Mosquitto:
    """One broker on this machine; can be ended and begun again on the same port."""

    def __init__(self, folder: Path) -> None:
        binary = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin")
        passwords = shutil.which("mosquitto_passwd")
        assert binary, "these tests need Debian's mosquitto (apt-get install mosquitto)"
        assert passwords
        self.port, self.folder, self.process = free_port(), folder, None
        (folder / "password").write_text(PASSWORD + "\n")
        (folder / "key").write_text(KEY + "\n")
        subprocess.run([passwords, "-b", "-c", folder / "users", USER, PASSWORD], check=True)
        certificate(folder)
        lines = [
            f"listener {self.port} 127.0.0.1",
            f"cafile {folder / 'ca.pem'}",
            f"certfile {folder / 'broker.pem'}",
            f"keyfile {folder / 'broker.key'}",
            f"password_file {folder / 'users'}",
            "allow_anonymous false",
            "log_dest none",
        ]
        if subprocess.run(["id", "-u"], capture_output=True, text=True, check=True).stdout.strip() == "0":
            lines.append("user root")  # or it gives up root and can't read the files of this test
        self.config = folder / "mosquitto.conf"
        self.config.write_text("\n".join(lines) + "\n")
        self.binary = binary

    def begin(self) -> None:
        self.process = subprocess.Popen(
            [self.binary, "-c", self.config], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        for _ in range(500):
            with closing(socket.socket()) as s:
                if s.connect_ex(("127.0.0.1", self.port)) == 0:
                    return
            time.sleep(0.02)
        raise AssertionError("mosquitto did not begin")

    def end(self) -> None:
        if self.process is not None:
            self.process.terminate()
            self.process.wait()
            self.process = None

    def settings(self, **changes) -> MqttTelemetry:
        given = {
            "kind": "mqtt",
            "host": "127.0.0.1",
            "port": self.port,
            "topic": "bench/1",
            "rate_hz": 20.0,
            "username": USER,
            "password_file": "password",
            "ca_file": "ca.pem",
            "commands": True,
            "command_key_file": "key",
        }
        return MqttTelemetry.model_validate({**given, **changes})

    def broker(self, **changes) -> Broker:
        settings = self.settings(**changes)
        secrets, problems = read_secrets(settings, lambda name: str(self.folder / name))
        assert problems == []
        return Broker(settings, secrets)


def certificate(folder: Path) -> None:
    """An authority of the test's own and the broker's certificate by it."""

    def openssl(*arguments: object) -> None:
        subprocess.run(
            ["openssl", *map(str, arguments)],
            check=True,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )

    curve = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes")
    ca, ca_key = folder / "ca.pem", folder / "ca.key"
    openssl("req", "-x509", *curve, "-days", 2, "-subj", "/CN=test authority", "-keyout", ca_key, "-out", ca)
    request, key = folder / "broker.csr", folder / "broker.key"
    openssl("req", *curve, "-subj", "/CN=127.0.0.1", "-keyout", key, "-out", request)
    names = folder / "names"
    names.write_text("subjectAltName=IP:127.0.0.1\n")
    openssl(
        *("x509", "-req", "-in", request, "-CA", ca, "-CAkey", ca_key, "-CAcreateserial", "-days", 2),
        *("-extfile", names, "-out", folder / "broker.pem"),
    )
