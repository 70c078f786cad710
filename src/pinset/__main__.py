"""The command `pinset`."""

from __future__ import annotations

import gc
import os
import sys

# starting makes many lasting objects and no garbage: looking for it all the while costs a tenth of the start
gc.set_threshold(50_000)
# pydantic would search every installed package for plug-ins, at each start, and pinset uses none
os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")


def main() -> None:
    """Run the command line; a fault of use or of the record is one plain sentence on stderr and exit code 2."""
    try:
        _run(sys.argv[1:])
    except KeyboardInterrupt:
        sys.exit(130)
    except Exception as fault:
        from pinset.faces.cli.faults import told

        words = told(fault)
        if words is None:
            raise
        print(words, file=sys.stderr)
        sys.exit(2)


def _run(arguments: list[str]) -> None:
    if arguments in ([], ["--help"], ["-h"]):
        from pinset.faces.cli.commands import overview

        print(overview())
        return
    from pinset.faces.cli.quick import take_note, usual_note

    usual = usual_note(arguments)
    if usual is not None:
        take_note(usual[0][0], usual[0][1:], **usual[1])
    else:
        from pinset.faces.cli.app import app

        app(arguments)


if __name__ == "__main__":
    main()
