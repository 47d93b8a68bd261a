"""Progress of measuring, as it is shown."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.console import Console

from vibstudy.cli.base import count
from vibstudy.terminal import say

if TYPE_CHECKING:
    from rich.progress import TaskID

    from vibstudy.measure import Progress


class Display:
    """Live progress on a terminal; plain lines elsewhere."""

    def __init__(self) -> None:
        from rich.progress import (
            BarColumn,
            MofNCompleteColumn,
            TextColumn,
            TimeElapsedColumn,
            TimeRemainingColumn,
        )
        from rich.progress import Progress as Bar

        self._console = Console()
        self._bar = Bar(
            TextColumn("{task.description}"),
            BarColumn(),
            MofNCompleteColumn(),
            TimeElapsedColumn(),
            TimeRemainingColumn(),
            console=self._console,
            disable=not self._console.is_terminal,
        )
        self._task: TaskID | None = None

    def __enter__(self) -> Display:
        return self

    def __exit__(self, *_: object) -> None:
        self._bar.stop()

    def show(self, progress: Progress) -> None:
        """Show where the run stands."""
        if not progress.total:
            return
        if self._task is None:
            self._task = self._bar.add_task("Measuring", total=progress.total)
            self._bar.start()
        if self._console.is_terminal:
            failed = f" ({progress.failed} failed)" if progress.failed else ""
            self._bar.update(self._task, completed=progress.done, description=f"Measuring{failed}")
        elif progress.recording_id:
            result = "failed" if progress.message else count(progress.notes or 0, "note")
            say(f"{progress.done} of {progress.total}  {progress.recording_id}  {result}")
