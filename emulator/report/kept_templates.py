"""Templates as the engine has translated them, kept beside the compiled code: a page waits for it no more."""

from __future__ import annotations

import contextlib
from importlib.metadata import version

from jinja2.bccache import Bucket, BytecodeCache

from emulator.core.errors import StartFailed
from emulator.core.keeping import code_store


class KeptTemplates(BytecodeCache):
    """What the engine asks before it translates. It looks itself whether the template is still the same."""

    def load_bytecode(self, bucket: Bucket) -> None:
        """Fill the bucket if something is kept; a folder that can't be used or trusted costs no more."""
        with contextlib.suppress(StartFailed):
            kept = code_store.load(_name(bucket), code_store.RESULT)
            if kept is not None:
                bucket.bytecode_from_string(kept)

    def dump_bytecode(self, bucket: Bucket) -> None:
        """Keep what the bucket holds."""
        with contextlib.suppress(StartFailed):
            code_store.save(_name(bucket), bucket.bytecode_to_string(), code_store.RESULT)


def _name(bucket: Bucket) -> str:
    return f"template-{version('jinja2')}-{bucket.key}-{bucket.checksum}"
