"""A compose file as arguments of podman, for machines where no engine with its compose plugin runs.

Every key of a service is either carried out or named as left out with the reason; another one is refused, so
nothing that the file asks for is passed over in silence. Containers share the host's network: a service's
name leads to the host.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ruamel.yaml import YAML

LEFT_OUT = {
    "build": "images are built before",
    "image": "comes last on the command line",
    "command": "comes last on the command line",
    "depends_on": "decides the order, see Service.after",
    "stop_grace_period": "is given when the container is stopped",
    "ports": "the host's network is shared",
    "restart": "a test ends what it has begun",
}

_FLAGS = {"read_only": "--read-only", "tty": "--tty", "stdin_open": "--interactive"}


@dataclass(frozen=True)
class Service:
    """A service of a compose file.

    arguments  of `podman run`, without image and command
    after      what has to be there before, by name: started or healthy
    grace_s    [s] how long it may take to stop
    """

    name: str
    image: str
    command: tuple[str, ...]
    arguments: tuple[str, ...]
    after: Mapping[str, str]
    grace_s: int


def services(file: Path, place: Path, prefix: str) -> list[Service]:
    """The services in the order they are started in.

    place   folder for named volumes, one a folder, and for secrets (``secrets/NAME``)
    prefix  of container names
    """
    whole = YAML(typ="safe").load(file.read_text())
    names = list(whole["services"])
    waiting = {name: _service(name, whole, file.parent, place, prefix) for name in names}
    ordered: list[Service] = []
    while waiting:
        free = [s for s in waiting.values() if set(s.after) <= {o.name for o in ordered}]
        if not free:
            raise ValueError(f"{', '.join(waiting)} wait for each other")
        ordered += [waiting.pop(service.name) for service in free]
    return ordered


def _service(name: str, whole: Mapping[str, Any], folder: Path, place: Path, prefix: str) -> Service:
    asked = whole["services"][name]
    arguments: list[str] = []
    for key, value in asked.items():
        if key not in LEFT_OUT:
            arguments += _arguments(name, key, value, whole, folder, place, prefix)
    if "network_mode" not in asked:
        arguments.append("--network=host")
    arguments += [
        f"--add-host={other}:127.0.0.1" for other in whole["services"] if "network_mode" not in asked
    ]
    conditions = {
        other: str(how["condition"]).removeprefix("service_")
        for other, how in asked.get("depends_on", {}).items()
    }
    return Service(
        name=name,
        image=f"localhost/{asked['image']}",
        command=tuple(asked.get("command", ())),
        arguments=tuple(arguments),
        after=conditions,
        grace_s=_seconds(asked.get("stop_grace_period", "10s")),
    )


def _arguments(
    name: str, key: str, value: Any, whole: Mapping[str, Any], folder: Path, place: Path, prefix: str
) -> Iterator[str]:
    if key in _FLAGS:
        if value is not True:
            raise ValueError(f"{name}.{key}: expected true, got {value}")
        yield _FLAGS[key]
    elif key == "tmpfs":
        yield from (f"--tmpfs={path}" for path in value)
    elif key == "cap_drop":
        yield from (f"--cap-drop={one}" for one in value)
    elif key == "security_opt":
        yield from (f"--security-opt={one.replace(':true', '')}" for one in value)
    elif key == "ulimits":
        yield from (f"--ulimit={limit}={most}:{most}" for limit, most in value.items())
    elif key == "devices":
        yield from (f"--device={one}" for one in value)
    elif key == "cpuset":
        yield f"--cpuset-cpus={value}"
    elif key == "network_mode":
        yield f"--network={value.replace('service:', f'container:{prefix}')}"
    elif key == "healthcheck" and value == {"disable": True}:
        yield "--no-healthcheck"
    elif key == "secrets":
        for one in value:
            if one not in whole["secrets"]:
                raise ValueError(f"{name}: secret {one} is not declared")
            yield f"--volume={place}/secrets/{Path(whole['secrets'][one]['file']).name}:/run/secrets/{one}:ro"
    elif key == "volumes":
        for one in value:
            source, target, *mode = one.split(":")
            if source.startswith("."):
                path = (folder / source).resolve()
            elif source in whole["volumes"]:
                path = place / source
            else:
                raise ValueError(f"{name}: volume {source} is not declared")
            yield f"--volume={':'.join([str(path), target, *mode])}"
    else:
        raise ValueError(f"{name}.{key}: nothing is known of it here")


def _seconds(text: str) -> int:
    found = re.fullmatch(r"(\d+)s", text)
    if found is None:
        raise ValueError(f"expected seconds, such as 10s, got {text}")
    return int(found[1])
