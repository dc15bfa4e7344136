"""Container images built and run for real where neither an engine nor a registry can be reached.

podman needs no daemon; a stand-in for the base image is made by mmdebstrap from the Debian packages that this
machine takes its own from. It stands in for the published slim image and is not that image.

Needs root on Debian 12 or later: the packages PACKAGES are installed if they are not there.
"""

from __future__ import annotations

import asyncio
import json
import os
import resource
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

BASE = "docker.io/library/debian:bookworm-slim"
PACKAGES = {"podman": "podman", "runc": "runc", "mmdebstrap": "mmdebstrap"}
"""Debian packages by the program each is asked for."""
ROOM_BYTES = 5e9
"""Both images with what they are built from, and some."""
_KEPT_OUT = ("man", "locale", "doc", "info", "lintian", "linda", "groff")
"""Folders of /usr/share that the slim image leaves out, too; copyright stays."""
_KEEP_NO_LISTS = 'Dir::Cache::pkgcache ""; Dir::Cache::srcpkgcache "";'


class Failed(Exception):
    """A step did not work; its log is in the message."""


class NotHere(Failed):
    """What has to be there before anything of ours is tried can't be had on this machine."""


class Podman:
    """An engine whose images, containers and settings all lie in one folder."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.times_s: dict[str, float] = {}
        for name in ("log", "settings", "store", "run"):
            (folder / name).mkdir(parents=True, exist_ok=True)
        if (free := shutil.disk_usage(folder).free) < ROOM_BYTES:
            raise NotHere(f"{folder} has {free / 1e9:.1f} GB left, {ROOM_BYTES / 1e9:.0f} are needed")
        missing = [package for program, package in PACKAGES.items() if shutil.which(program) is None]
        if missing:
            self.step("apt-get update", ["apt-get", "update"], failed=NotHere)
            environment = {**os.environ, "DEBIAN_FRONTEND": "noninteractive"}
            self.step(
                "apt-get install",
                ["apt-get", "install", "--yes", "--no-install-recommends", *missing],
                failed=NotHere,
                env=environment,
            )
        settings = folder / "settings"
        (settings / "storage.conf").write_text(
            f'[storage]\ndriver = "overlay"\ngraphroot = "{folder}/store"\nrunroot = "{folder}/run"\n'
        )
        # podman asks for a million open files and processes; the kernel refuses what is above the hard limit
        limits = ", ".join(
            f'"{name}={_most(number)}:{_most(number)}"'
            for name, number in (("nofile", resource.RLIMIT_NOFILE), ("nproc", resource.RLIMIT_NPROC))
        )
        (settings / "containers.conf").write_text(
            f"[containers]\ndefault_ulimits = [{limits}]\n"
            '[engine]\nruntime = "runc"\ncgroup_manager = "cgroupfs"\nevents_logger = "file"\n'
        )
        self.environment = {
            **os.environ,
            "CONTAINERS_STORAGE_CONF": str(settings / "storage.conf"),
            "CONTAINERS_CONF": str(settings / "containers.conf"),
            "DISABLE_HC_SYSTEMD": "true",  # health checks are run by hand
        }

    def step(
        self, name: str, command: Sequence[str], *, failed: type[Failed] = Failed, **options: object
    ) -> None:
        """Run a command and say how long it took; its output goes to a log. Raises ``failed``."""
        log = self.folder / "log" / f"{name.replace(' ', '-')}.txt"
        began = time.monotonic()
        with log.open("w") as file:
            done = subprocess.run(command, stdout=file, stderr=subprocess.STDOUT, check=False, **options)  # type: ignore[call-overload]
        took = self.times_s[name] = time.monotonic() - began
        if done.returncode != 0:
            tail = "\n".join(log.read_text(errors="replace").splitlines()[-30:])
            raise failed(f"{name}: status {done.returncode}\n{tail}")
        sys.stdout.write(f"{name:<28}{took:8.1f} s\n")
        sys.stdout.flush()

    def __call__(self, *arguments: str, check: bool = True, timeout: float = 120.0) -> str:
        """What a podman command says on standard output."""
        done = subprocess.run(
            ["podman", *arguments],
            env=self.environment,
            capture_output=True,
            text=True,
            check=False,
            timeout=timeout,
        )
        if check and done.returncode != 0:
            raise Failed(
                f"podman {' '.join(arguments[:2])}: status {done.returncode}\n{done.stdout}{done.stderr}"
            )
        return done.stdout

    def logs(self, name: str) -> str:
        """What a container has said, the end of it."""
        done = subprocess.run(
            ["podman", "logs", "--tail", "40", name],
            env=self.environment,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            check=False,
            timeout=60.0,
        )
        return f"-- {name}\n{done.stdout}"

    def timed_log(self, name: str) -> str:
        """All that a container has said, each line with its time (RFC 3339) and a space before it."""
        done = subprocess.run(
            ["podman", "logs", "--timestamps", name],
            env=self.environment,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            check=False,
            timeout=60.0,
        )
        return done.stdout

    async def ended(self, name: str) -> None:
        """Wait until a container has ended. Asking again and again instead takes a good part of a core."""
        waiting = await asyncio.create_subprocess_exec(
            *("podman", "wait", name),
            env=self.environment,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        try:
            await waiting.wait()
        finally:
            if waiting.returncode is None:
                waiting.kill()
                await waiting.wait()

    def status(self, *arguments: str) -> int:
        """Exit status of a podman command."""
        done = subprocess.run(
            ["podman", *arguments], env=self.environment, capture_output=True, check=False, timeout=60.0
        )
        return done.returncode

    def make_base(self) -> None:
        """The stand-in for the base image, from this machine's own list of Debian packages."""
        tar = self.folder / "base.tar"
        if not tar.exists():
            sources = Path("/etc/apt/sources.list.d/debian.sources")
            sources = sources if sources.exists() else Path("/etc/apt/sources.list")
            unfinished = tar.with_suffix(".part.tar")
            self.step(
                "base image",
                [
                    *("mmdebstrap", "--variant=minbase", "--quiet"),
                    # as the published image: no perl for a change that it has behind it, no kept lists
                    *("--include=usr-is-merged", "--hook-dir=/usr/share/mmdebstrap/hooks/merged-usr"),
                    *(f"--dpkgopt=path-exclude=/usr/share/{name}/*" for name in _KEPT_OUT),
                    "--dpkgopt=path-include=/usr/share/doc/*/copyright",
                    f"--customize-hook=echo '{_KEEP_NO_LISTS}' >$1/etc/apt/apt.conf.d/keep-no-lists",
                    "--customize-hook=rm -rf $1/var/lib/apt/lists/* $1/var/cache/apt/*.bin",
                    "bookworm",
                    *(str(unfinished), str(sources)),
                ],
                failed=NotHere,
            )
            unfinished.rename(tar)
        try:
            self("import", "--change", 'CMD ["bash"]', str(tar), BASE)
            self("run", "--rm", "--network=none", BASE, "true")
        except (Failed, subprocess.TimeoutExpired) as error:
            raise NotHere(f"no container runs here: {error}") from None

    def build(self, name: str, dockerfile: Path, context: Path) -> None:
        """An image named ``localhost/NAME``; pip finds packages as it does on this machine."""
        self.step(
            f"image {name}",
            [
                *(
                    "podman",
                    "build",
                    "--isolation=chroot",
                    "--network=host",
                    "--pull=never",
                    "--format=docker",
                ),
                *("--ignorefile", f"{dockerfile}.dockerignore", *self._settings_of_pip()),
                *("--file", str(dockerfile), "--tag", f"localhost/{name}", str(context)),
            ],
            env=self.environment,
        )

    def _settings_of_pip(self) -> Iterator[str]:
        """Mounts for the build alone: nothing of them but two empty files stays in the image."""
        certificates = os.environ.get("PIP_CERT") or os.environ.get("SSL_CERT_FILE")
        certificates = certificates or "/etc/ssl/certs/ca-certificates.crt"
        lines = ["[global]"]
        if os.path.exists(certificates):
            lines.append("cert = /run/build-certificates.pem")
            yield f"--volume={certificates}:/run/build-certificates.pem:ro"
        for key in ("index-url", "trusted-host", "proxy"):
            value = os.environ.get(f"PIP_{key.upper().replace('-', '_')}") or _pip_says(f"global.{key}")
            if value:
                lines.append(f"{key} = {value}")
        file = self.folder / "settings" / "pip.conf"
        file.write_text("\n".join(lines) + "\n")
        yield f"--volume={file}:/etc/pip.conf:ro"

    def size_MB(self, name: str) -> float:
        """Size of an image [10^6 byte], all layers."""
        (found,) = json.loads(self("image", "inspect", f"localhost/{name}"))
        return float(found["Size"]) / 1e6

    @contextmanager
    def cleared(self, prefix: str) -> Iterator[None]:
        """No container's name begins with ``prefix`` before, nor afterwards."""
        self._clear(prefix)
        try:
            yield
        finally:
            self._clear(prefix)

    def _clear(self, prefix: str) -> None:
        for name in self("ps", "--all", "--format", "{{.Names}}").split():
            if name.startswith(prefix):
                self("rm", "--force", "--depend", "--time", "3", name, check=False)


def _most(number: int) -> int:
    hard = resource.getrlimit(number)[1]
    return 4096 if hard == resource.RLIM_INFINITY else min(hard, 4096)


def _pip_says(key: str) -> str:
    done = subprocess.run(
        [sys.executable, "-m", "pip", "config", "get", key], capture_output=True, text=True, check=False
    )
    return done.stdout.strip() if done.returncode == 0 else ""
