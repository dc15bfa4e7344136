"""The rig's live page: where it is asked, by whom, and what happens when its operator says nothing."""

from __future__ import annotations

import ipaddress
from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated, Literal

from pydantic import AfterValidator, Field, model_validator

from emulator.config.field_types import FileName, Name
from emulator.config.rig.shown.named_files import Problems, content_of
from emulator.config.validation import Closed, missing, wrong

USUAL_PORT = 8808
LEAST_TOKEN_BYTES = 16


def _address(text: str) -> str:
    try:
        ipaddress.ip_address(text)
    except ValueError:
        raise wrong(f"expected an IP address of this machine, such as 127.0.0.1, got {text!r}") from None
    return text


class Console(Closed):
    """The live page of a ride (emulator.console)."""

    host: Annotated[str, AfterValidator(_address)] = "127.0.0.1"
    """IP address that it listens on; any but a loopback one asks for certificate_file, key_file, token_file
    and watch_token_file."""
    port: int = Field(default=USUAL_PORT, ge=0, le=65535)
    """TCP port; 0 for any free one."""
    names: tuple[Name, ...] = ()
    """Names by which it is asked beside the address, such as bench.example."""
    token_file: FileName | None = None
    """File with the operator's token, at least 16 bytes. Left out: one is made for each run, in a file that
    only its user can read."""
    watch_token_file: FileName | None = None
    """File with the token of those who only watch. Left out: whoever reaches the page may watch."""
    certificate_file: FileName | None = None
    """PEM file with the certificate of this machine, for TLS. Left out: no TLS."""
    key_file: FileName | None = None
    """PEM file with the key of that certificate. Left out: no TLS."""
    silent_operator: Literal["tell", "stop"] = "tell"
    """What is done when the operator's page has said nothing for 5 s: every page and the terminal tell it, or
    the ride is stopped in an orderly way as well."""

    @property
    def only_here(self) -> bool:
        """Whether it can be reached from this machine alone."""
        return ipaddress.ip_address(self.host).is_loopback

    @model_validator(mode="after")
    def _elsewhere_with_tls_and_tokens(self) -> Console:
        for key in ("certificate_file", "key_file", "token_file", "watch_token_file"):
            if not self.only_here and getattr(self, key) is None:
                raise missing(f"{key!r}: a page that other machines reach needs TLS and tokens")
        if (self.certificate_file is None) != (self.key_file is None):
            raise missing("'certificate_file' and 'key_file': one is of no use without the other")
        return self


@dataclass(frozen=True)
class Tokens:
    """What the files hold that ``console`` names; None: it names none."""

    operator: str | None = None
    watch: str | None = None


def read_tokens(settings: Console, path_of: Callable[[str], str]) -> tuple[Tokens, Problems]:
    """The tokens, and what is wrong with the files: the key of ``console`` that names one, and why.

    path_of  makes a path of a name in the rig
    """
    problems: Problems = []

    def token(key: str) -> str | None:
        content = content_of(settings, key, path_of, problems)
        if content is None:
            return None
        content = content.rstrip(b"\r\n")
        if len(content) < LEAST_TOKEN_BYTES or not content.isascii() or b"\n" in content:
            text = (
                f"expected a file with a token of at least {LEAST_TOKEN_BYTES} letters, digits and signs in "
                "one line; write one with: head -c 32 /dev/urandom | base64 > FILE; chmod 600 FILE"
            )
            problems.append((key, text))
            return None
        return content.decode("ascii")

    tokens = Tokens(token("token_file"), token("watch_token_file"))
    if settings.certificate_file is not None and settings.key_file is not None:
        import ssl  # only here: most rigs have no page that others reach

        certificate, key = path_of(settings.certificate_file), path_of(settings.key_file)
        try:
            ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(certificate, key)
        except (OSError, ssl.SSLError) as error:
            problems.append(("certificate_file", f"no PEM certificate with its key: {error}"))
    if tokens.operator is not None and tokens.operator == tokens.watch:
        problems.append(("watch_token_file", "expected another token than the operator's"))
    return tokens, problems
