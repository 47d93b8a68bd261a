"""One recording in, one table of notes out.

:func:`measure_file` is a pure function of the file's bytes, the settings and the recording's row: the
same input gives the same tables on any machine, in any order, with any number of workers. It joins the
rooms: sound -> pitch -> notes -> vibrato.

* :mod:`vibstudy.recording.flow`: a recording's way through the rooms, block by block.
* :mod:`vibstudy.recording.found`: its notes, each with its refined line.
* :mod:`vibstudy.recording.measured`: their vibrato, and whether they are usable.
* :mod:`vibstudy.recording.tables`: the tables of a recording.
"""

from vibstudy.recording.flow import measure_file, measure_recording
from vibstudy.recording.tables import RecordingResult

__all__ = ["RecordingResult", "measure_file", "measure_recording"]
