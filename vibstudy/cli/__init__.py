"""The command line.

A command is a function with a panel: add one by writing it below ``@app.command(rich_help_panel=...)`` in the
file of its panel (`first`, `listen`, `claims`, `play`, `share`; what they share is `base`, the way in and out
`entry`); what it needs is imported inside, so that ``vibstudy --help`` stays quick. A command raises
VibstudyError for input that cannot be used, and ``typer.Exit(code)`` otherwise:

====  =======================================================================================
code  meaning
====  =======================================================================================
0     all went well
1     some recordings failed: they are named, with the reason and the repair; the rest is done
2     the input cannot be used, or the disk is full: every problem is told
3     a fault of the tool itself: the details are in a file
130   stopped by Ctrl-C: what is done is kept
====  =======================================================================================
"""

from vibstudy.cli import first, listen, claims, play, share  # noqa: F401, I001  (the order of --help)
from vibstudy.cli.base import FAILED, FAULT, STOPPED, UNUSABLE, app
from vibstudy.cli.entry import main

__all__ = ["FAILED", "FAULT", "STOPPED", "UNUSABLE", "app", "main"]
