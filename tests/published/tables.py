"""Tables that tests read. A script works its table out anew and compares; with --write it writes it instead."""
import importlib.metadata
import pathlib
import sys

HERE = pathlib.Path(__file__).parent
ROOT = HERE.parents[1]


def versions(*packages):
    return ", ".join(f"{package} {importlib.metadata.version(package)}" for package in packages)


def settle(table, made_with, rows):
    """The first line says how the table was made and is not compared: another version may give the same numbers."""
    script = pathlib.Path(sys.argv[0]).name
    text = "\n".join([f"# Written by tests/published/{script} with {made_with}.", *rows]) + "\n"
    if "--write" in sys.argv:
        table.write_text(text)
        print(f"{script}: wrote {table.relative_to(ROOT)}")
    elif table.read_text().splitlines()[1:] != text.splitlines()[1:]:
        sys.exit(f"{script}: {table.relative_to(ROOT)} differs from what comes out now:\n{text}")
    else:
        print(f"{script}: {table.relative_to(ROOT)} agrees with {made_with}")


def recordings():
    """The folder of recordings given on the command line."""
    folders = [argument for argument in sys.argv[1:] if not argument.startswith("--")]
    if len(folders) != 1:
        sys.exit(f"{sys.argv[0]}: give the folder of recordings that IDLEGATE_OPEN_DATA names")
    return pathlib.Path(folders[0])
