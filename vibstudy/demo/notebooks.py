"""Run a notebook of a study: outputs into the notebook, and a page to read beside it.

The kernel is the Python that runs this, whatever kernels the computer knows. A cell that fails stops its
notebook only: what ran is kept, with the failure in it, and told.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from vibstudy.corpus.atomic import write_text
from vibstudy.corpus.newstudy import read_notebook

if TYPE_CHECKING:
    from nbformat import NotebookNode

STUDY_VARIABLE = "VIBSTUDY_STUDY"
"""Environment variable that tells a notebook its study folder."""

_ONE_THREAD = dict.fromkeys(
    ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS"), "1"
)
_TO_NOTEBOOK = re.compile(r'(href="[\w./-]+)\.ipynb((?:#[^"]*)?)"')
_PAGE_TEMPLATE = """{% extends 'index.html.j2' %}
{% block html_head_js_requirejs %}{% endblock %}
{% block html_head_js_mathjax %}{% endblock %}
{% block html_head_js_mermaidjs %}{% endblock %}
{% block html_head_css %}
<style>
body { max-width: 60rem; margin: 0 auto !important; }
.jp-InputPrompt, .jp-OutputPrompt { display: none; }
.jp-RenderedHTMLCommon p a, .jp-RenderedHTMLCommon li a { text-decoration: underline !important; }
</style>
{% endblock %}
"""
"""The page as Jupyter makes it, less what it would fetch from the net, in one column."""
_QUIET = {"PYDEVD_DISABLE_FILE_VALIDATION": "1"}


@dataclass(frozen=True)
class NotebookRun:
    """How a notebook went: its name, the seconds it took, and what went wrong ("" if nothing)."""

    name: str
    seconds: float
    failure: str = ""


def run_notebook(source: Path, study: Path, timeout_s: float = 300.0) -> NotebookRun:
    """Run `source` for a study.

    Parameters
    ----------
    source : Path
        Notebook (:func:`vibstudy.corpus.newstudy.read_notebook`).
    study : Path
        Study folder: the run notebook goes to ``notebooks/NAME.ipynb``, the page to
        ``pages/NAME.html``.
    timeout_s : float
        Longest time for one cell.
    """
    import nbformat
    from nbclient.exceptions import CellExecutionError, CellTimeoutError, DeadKernelError

    began = time.perf_counter()
    notebook = _ready(nbformat.reads(json.dumps(read_notebook(source)), as_version=4))
    client = _client(notebook, study, timeout_s)
    environment = {**os.environ, **_ONE_THREAD, **_QUIET, STUDY_VARIABLE: str(study.resolve())}
    failure = ""
    try:
        client.execute(env=environment, cleanup_kc=True)  # else its Python stays until this one ends
    except CellExecutionError as error:
        failure = f"{error.ename}: {error.evalue}"
    except CellTimeoutError:
        failure = f"a cell took longer than {timeout_s:.0f} s"
    except DeadKernelError:
        failure = "Python stopped, perhaps for want of memory"
    _write(study / "notebooks" / f"{source.stem}.ipynb", nbformat.writes(notebook))
    _write(study / "pages" / f"{source.stem}.html", _page(notebook))
    return NotebookRun(source.stem, time.perf_counter() - began, failure)


def source_hash(path: Path) -> str:
    """Fingerprint of a notebook's cells, outputs apart."""
    cells = [(cell["cell_type"], "".join(cell["source"]).strip()) for cell in read_notebook(path)["cells"]]
    return hashlib.sha256(repr(cells).encode("utf-8")).hexdigest()


def _ready(notebook: NotebookNode) -> NotebookNode:
    """Drop outputs and what belongs to the text form; name the kernel."""
    for cell in notebook.cells:
        if cell.cell_type == "code":
            cell.outputs, cell.execution_count = [], None
    notebook.metadata = type(notebook.metadata)(
        kernelspec={"name": "python3", "display_name": "Python 3", "language": "python"},
        language_info={"name": "python"},
    )
    return notebook


def _client(notebook: NotebookNode, study: Path, timeout_s: float) -> Any:
    from ipykernel.kernelspec import make_ipkernel_cmd
    from jupyter_client.kernelspec import KernelSpec, KernelSpecManager
    from jupyter_client.manager import AsyncKernelManager
    from nbclient import NotebookClient

    class ThisPython(KernelSpecManager):
        """Knows one kernel: the Python that runs."""

        def get_kernel_spec(self, kernel_name: str) -> KernelSpec:
            command = make_ipkernel_cmd(executable=sys.executable, extra_arguments=["--log-level=ERROR"])
            return KernelSpec(argv=command, display_name=kernel_name, language="python")

    folder = study / "notebooks"
    folder.mkdir(parents=True, exist_ok=True)
    manager = AsyncKernelManager(kernel_name="python3", kernel_spec_manager=ThisPython())
    resources = {"metadata": {"path": str(folder)}}
    # without a kernel a widget is a dead picture, and a page would fetch what draws it from the net
    return NotebookClient(
        notebook, km=manager, timeout=timeout_s, resources=resources, store_widget_state=False
    )


def _page(notebook: NotebookNode) -> str:
    """Write a run notebook as HTML: prose, tables and figures, without the code."""
    from nbconvert import HTMLExporter

    title = next((cell.source for cell in notebook.cells if cell.source.startswith("# ")), "# Notebook")
    name = title.splitlines()[0].removeprefix("# ")
    exporter = HTMLExporter(
        template_name="lab",
        raw_template=_PAGE_TEMPLATE,
        exclude_input=True,
        exclude_input_prompt=True,
        exclude_output_prompt=True,
        embed_images=True,
    )
    html, _ = exporter.from_notebook_node(notebook, resources={"metadata": {"name": name}})
    return _TO_NOTEBOOK.sub(r'\1.html\2"', html)  # the pages lead to each other, not to notebooks


def _write(path: Path, text: str) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    write_text(path, text)
