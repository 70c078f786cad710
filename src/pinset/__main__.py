"""The command `pinset`."""

from __future__ import annotations

import sys


def main() -> None:
    """Run the command line; a fault of use or of the record is one plain sentence on stderr and exit code 2."""
    from pinset.faces.cli.app import app
    from pinset.faces.cli.faults import told

    try:
        app()
    except KeyboardInterrupt:
        sys.exit(130)
    except Exception as fault:
        words = told(fault)
        if words is None:
            raise
        print(words, file=sys.stderr)
        sys.exit(2)


if __name__ == "__main__":
    main()
