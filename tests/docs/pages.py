"""
The documentation's source, made from what is there: public names, how-tos, the gallery run, each command's help.

    python tests/docs/pages.py FOLDER      (sh .ci/docs does this and builds them)
"""

from __future__ import annotations

import ast
import contextlib
import io
import os
import runpy
import sys
from pathlib import Path

import thermscan
from thermscan.exit_status import MEANINGS

HERE = Path(__file__).parent
CONF = """
project = "thermscan"
html_title = "thermscan"
extensions = ["sphinx.ext.autodoc", "sphinx.ext.napoleon", "myst_parser"]
napoleon_google_docstring = False
autodoc_member_order = "bysource"
autodoc_typehints = "none"
html_theme = "alabaster"
suppress_warnings = ["myst.header", "myst.xref_missing"]  # the how-tos name files of the user's, not of these pages
"""

HEAD = """thermscan
=========

.. automodule:: thermscan
   :no-members:

.. toctree::
   :maxdepth: 1
"""


def example(path: Path) -> str:
    """A gallery page: the example's words, its code, and what it prints."""
    source = path.read_text(encoding="utf-8")
    words = ast.get_docstring(ast.parse(source)) or ""
    code = source[source.index('"""', 3) + 3 :].strip()
    printed = io.StringIO()
    with contextlib.redirect_stdout(printed):
        runpy.run_path(str(path))
    return (
        f"{words}\n\n.. code-block:: python\n\n{_indented(code)}\n\nIt prints\n\n.. code-block:: text\n\n"
        f"{_indented(printed.getvalue().strip())}\n"
    )


def reference() -> str:
    """All public names, functions before results."""
    functions = [name for name in thermscan.__all__ if name[0].islower()]
    classes = [name for name in thermscan.__all__ if not name[0].islower()]
    parts = ["Reference\n=========\n", "Functions\n---------\n"]
    parts += [f".. autofunction:: thermscan.{name}\n" for name in functions]
    parts += ["Results and errors\n------------------\n"]
    parts += [f".. autoclass:: thermscan.{name}\n   :no-index-entry:\n" for name in classes]
    return "\n".join(parts)


def commands() -> str:
    """Each command's help, and what the exit statuses mean."""
    from click.testing import CliRunner

    from thermscan.cli.main import COMMANDS
    from thermscan.cli.main import thermscan as group

    rows = "\n".join(f"   * - {status}\n     - {said}" for status, said in MEANINGS.items())
    pages = ["Commands\n========\n", f".. list-table:: Exit status\n   :widths: 10 60\n\n{rows}\n"]
    for name in COMMANDS:
        helped = CliRunner().invoke(group, [name, "--help"], standalone_mode=False, prog_name="thermscan").output
        pages.append(f"{name}\n{'-' * len(name)}\n\n.. code-block:: text\n\n{_indented(helped.strip())}\n")
    return "\n".join(pages)


def write_pages(out: Path) -> None:
    """Every page's source, and the settings, into a folder."""
    out.mkdir(parents=True, exist_ok=True)
    names = ["reference", "commands"]
    (out / "conf.py").write_text(CONF, encoding="utf-8")
    (out / "reference.rst").write_text(reference(), encoding="utf-8")
    (out / "commands.rst").write_text(commands(), encoding="utf-8")
    for path in sorted(HERE.glob("*.md")):
        (out / path.name).write_text(path.read_text(encoding="utf-8"), encoding="utf-8")
        names.append(path.stem)
    for path in sorted((HERE / "gallery").glob("*.py")):
        (out / f"{path.stem}.rst").write_text(example(path), encoding="utf-8")
        names.append(path.stem)
    listed = "\n".join(f"   {name}" for name in names)
    (out / "index.rst").write_text(f"{HEAD}\n{listed}\n", encoding="utf-8")


def _indented(text: str) -> str:
    return "\n".join(f"   {line}".rstrip() for line in text.splitlines())


if __name__ == "__main__":
    os.environ.setdefault("COLUMNS", "100")
    write_pages(Path(sys.argv[1]))
