"""A real browser on what a person opens: a notebook in JupyterLab, the page with no network."""

import json
import os
import secrets
import shutil
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.browser import needs_browser, opened
from trials.base.html import find_browser
from trials.doors.notebook import notebooks_home

FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--no-first-run"]
# Either a cell failed, or every cell has its number: waiting for numbers alone would hang on errors
DONE = """() => {
  const panel = document.querySelector('.jp-NotebookPanel');
  const bad = panel.querySelector('[data-mime-type="application/vnd.jupyter.error"],'
    + '[data-mime-type="application/vnd.jupyter.stderr"]');
  if (bad) return 'failed: ' + bad.textContent.slice(-600);
  const prompts = [...panel.querySelectorAll('.jp-CodeCell .jp-InputPrompt')];
  const texts = prompts.map(e => e.textContent.trim());
  return texts.length > 0 && texts.every(t => /^\\[\\d+\\]:?$/.test(t)) && 'ran ' + texts.length;
}"""


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


@contextmanager
def lab(root: Path, home: Path) -> Iterator[tuple[str, str]]:
    """A JupyterLab server with settings of its own, on a copy of the notebooks."""
    port, token = free_port(), secrets.token_hex(16)
    folders = ("CONFIG_DIR", "DATA_DIR", "RUNTIME_DIR")
    own = {f"JUPYTER_{name}": str(home / name) for name in folders}
    own |= {"JUPYTERLAB_SETTINGS_DIR": str(home / "settings"), "IPYTHONDIR": str(home / "ipython")}
    own |= {"JUPYTERLAB_WORKSPACES_DIR": str(home / "spaces"), "MPLCONFIGDIR": str(home / "mpl")}
    quiet = home / "settings" / "@jupyterlab" / "apputils-extension"
    quiet.mkdir(parents=True)
    (quiet / "notification.jupyterlab-settings").write_text(
        json.dumps({"fetchNews": "false", "checkForUpdates": False, "doNotDisturbMode": True})
    )
    command = [sys.executable, "-m", "jupyterlab", "--no-browser", "--ip=127.0.0.1"]
    command += [f"--port={port}", f"--IdentityProvider.token={token}"]
    command += [f"--ServerApp.root_dir={root}", "--LabApp.extension_manager=readonly"]
    if hasattr(os, "geteuid") and os.geteuid() == 0:
        command.append("--allow-root")
    base = f"http://127.0.0.1:{port}"
    with (home / "server.log").open("w") as log:
        server = subprocess.Popen(
            command, env={**os.environ, **own}, stdout=log, stderr=log, start_new_session=True
        )
        try:
            _until(lambda: bool(_kernels(base, token) is not None), 90, home / "server.log")
            yield base, token
        finally:
            os.killpg(server.pid, signal.SIGTERM)
            server.wait(30)


def _kernels(base: str, token: str) -> list | None:
    try:
        with urllib.request.urlopen(f"{base}/api/kernels?token={token}", timeout=5) as answer:
            return json.load(answer)
    except OSError:
        return None


def _until(ready, seconds: float, log: Path) -> None:
    end = time.monotonic() + seconds
    while not ready():
        assert time.monotonic() < end, log.read_text()[-2000:]
        time.sleep(0.2)


def _connected(base: str, token: str) -> bool:
    kernels = _kernels(base, token) or []
    return (
        bool(kernels) and kernels[0]["execution_state"] == "idle" and kernels[0]["connections"] > 0
    )


@needs_browser
def test_a_notebook_runs_in_jupyterlab(tmp_path):
    playwright = pytest.importorskip("playwright.sync_api")
    work, home = tmp_path / "work", tmp_path / "home"
    work.mkdir()
    home.mkdir()
    name = "3_what_mattered.ipynb"
    shutil.copy(notebooks_home() / name, work)
    with lab(work, home) as (base, token), playwright.sync_playwright() as runner:
        browser = runner.chromium.launch(executable_path=find_browser(), args=FLAGS)
        page = browser.new_page(viewport={"width": 1400, "height": 1000})
        page.goto(f"{base}/lab/tree/{name}?reset&token={token}")
        page.locator(".jp-NotebookPanel .jp-Cell").first.wait_for(timeout=90_000)
        # The page shows "idle" before there is a kernel, and a run asked for then is lost
        _until(lambda: _connected(base, token), 60, home / "server.log")
        page.wait_for_timeout(500)
        page.get_by_role("menuitem", name="Run", exact=True).click()
        page.get_by_role("menuitem", name="Run All Cells", exact=True).click()
        outcome = page.wait_for_function(DONE, timeout=170_000).json_value()
        assert outcome.startswith("ran"), outcome
        pictures = page.locator(".jp-NotebookPanel figure img")
        pictures.first.wait_for(timeout=30_000)
        assert pictures.count() >= 1
        page.keyboard.press("Control+s")
        page.wait_for_timeout(2000)
        browser.close()
    saved = json.loads((work / name).read_text(encoding="utf-8"))
    code = [cell for cell in saved["cells"] if cell["cell_type"] == "code"]
    kinds = {output["output_type"] for cell in code for output in cell["outputs"]}
    assert all(cell["execution_count"] for cell in code)
    assert "error" not in kinds
    html = "".join(
        "".join(output.get("data", {}).get("text/html", ""))
        for c in code
        for output in c["outputs"]
    )
    assert html.count("<img alt=") >= 2, "both pictures are there, each with its description"


@needs_browser
def test_the_page_needs_no_network(demo_round):
    page_file = demo_round.folder / "page.html"
    with opened(page_file) as page:
        assert page.locator("h1").inner_text() == demo_round.name
        pictures = page.locator("img")
        assert pictures.count() >= 4
        for place in range(pictures.count()):
            picture = pictures.nth(place)
            assert picture.evaluate("image => image.naturalWidth") > 300
            assert len(picture.get_attribute("alt")) > 40
        assert "invented" in page.locator("body").inner_text()
