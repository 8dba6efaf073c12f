"""The `marver` command: one subcommand a file, loaded only when its name is given, so that start-up is quick."""

from __future__ import annotations

import argparse
import importlib
import importlib.util
import re
import sys
from collections.abc import Sequence
from typing import NoReturn

COMMANDS: dict[str, str] = {
    "demo": "make the example lab and serve it",
    "serve": "bring the schema up to date and serve the lab",
    "fit": "fit scans, without any database",
    "import": "bring scan files of a folder into the records",
    "follow": "bring in scan files as an instrument saves them",
    "refit": "fit kept scans again, in parallel, as new rows",
    "export": "write the device table and other records to a file",
    "backup": "copy a lab whole, also while it is being served",
    "restore": "bring a backup back",
    "verify": "check audit chain, checksums and projection against the records",
    "upgrade": "bring the schema up to date",
    "screens": "take pictures of the pages",
}
_MODULES = {"import": "bring_in"}
"""Where a command's name is a word of the language, the module has another."""
# "-1e6" and "-.5" are values, also where the stock rule takes them for options.
_NEGATIVE_NUMBER = re.compile(r"^-(\d+[.,]?\d*|[.,]\d+)([eE][-+]?\d+)?$")


class Parser(argparse.ArgumentParser):
    """Usage errors end with exit code 2 and one line on standard error."""

    def __init__(self, *args: object, **kwargs: object) -> None:
        kwargs.setdefault("formatter_class", argparse.RawDescriptionHelpFormatter)
        super().__init__(*args, **kwargs)  # type: ignore[arg-type]
        self._negative_number_matcher = _NEGATIVE_NUMBER

    def error(self, message: str) -> NoReturn:
        """One line, no usage block."""
        self.exit(2, f"{self.prog}: {message}\n")


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns its exit code: 0 done, 1 not so, 2 bad input or usage."""
    words = list(sys.argv[1:] if argv is None else argv)
    try:
        parser = build_parser(next((word for word in words if not word.startswith("-")), None))
        args = parser.parse_args(words)
        if args.command is None:
            parser.print_help()
            return 2
        return int(args.run(args))
    except SystemExit as stop:
        return stop.code if isinstance(stop.code, int) else int(stop.code is not None) * 2
    except KeyboardInterrupt:
        return 130
    except BrokenPipeError:
        # The reader went away (`| head`): not a fault of the command.
        sys.stderr.close()
        return 0
    except Exception as error:
        told = _trouble(error, words)
        if told is None:
            raise
        print(told, file=sys.stderr)
        return 2


def _trouble(error: Exception, words: Sequence[str]) -> str | None:
    """One line where the disk or the database could not; None where it is a bug, which should be seen whole."""
    from app.cli.trouble import told

    command = next((word for word in words if not word.startswith("-")), "")
    line = told(error, words)
    return None if line is None else f"marver {command}: {line}"


def build_parser(command: str | None) -> Parser:
    """The parser with the options of `command`, and the names of all others."""
    parser = Parser(
        prog="marver",
        description="Fabrication run tracker for ultra-high-Q silica resonators, from wafer or fibre to Q.",
        epilog="marver COMMAND --help tells the options of each.",
    )
    parser.set_defaults(run=None)
    subparsers = parser.add_subparsers(dest="command", metavar="COMMAND", parser_class=Parser)
    for name, summary in COMMANDS.items():
        place = f"app.cli.{_MODULES.get(name, name)}"
        if importlib.util.find_spec(place) is None:
            continue
        if name == command:
            module = importlib.import_module(place)
            module.add_parser(subparsers)
            parser.set_defaults(run=module.run)
        else:
            subparsers.add_parser(name, help=summary, add_help=False)
    return parser


if __name__ == "__main__":
    raise SystemExit(main())
