"""`roomsim schema`."""

from __future__ import annotations

from typing import Annotated

import typer

from .terminal import print_json


def schema(
    kind: Annotated[str, typer.Argument(metavar="KIND", help="room, loudspeaker, study, materials, measurement or "
                                                             "correction.")],
    text: Annotated[bool, typer.Option("--text", help="A readable list of every key instead.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="JSON, as without --text.")] = False,
) -> None:
    """Print the JSON Schema of a kind of file, for an editor; or every key with its meaning.

    Example: roomsim schema room > room.schema.json
    """
    from ..definitions import schema as schema_of
    from ..definitions.key_list import key_text

    found = schema_of(kind)
    if text and not as_json:
        typer.echo(key_text(kind))
    else:
        print_json(found)
