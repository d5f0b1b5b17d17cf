"""A real JupyterLab with settings of its own, for the tests that open notebooks in it."""

import json
import os
import secrets
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

import trials
from trials.base.html import find_browser

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
    # The kernel imports the very package that the tests do, installed or not
    own["PYTHONPATH"] = str(Path(trials.__file__).parents[1])
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
            until_ready(lambda: bool(kernels(base, token) is not None), 90, home / "server.log")
            yield base, token
        finally:
            os.killpg(server.pid, signal.SIGTERM)
            try:
                server.wait(30)
            except subprocess.TimeoutExpired:
                os.killpg(server.pid, signal.SIGKILL)


def kernels(base: str, token: str) -> list | None:
    try:
        with urllib.request.urlopen(f"{base}/api/kernels?token={token}", timeout=5) as answer:
            return json.load(answer)
    except OSError:
        return None


def until_ready(ready, seconds: float, log: Path) -> None:
    end = time.monotonic() + seconds
    while not ready():
        assert time.monotonic() < end, log.read_text()[-2000:]
        time.sleep(0.2)


def connected(base: str, token: str) -> bool:
    found = kernels(base, token) or []
    return bool(found) and found[0]["execution_state"] == "idle" and found[0]["connections"] > 0


@contextmanager
def ran(work: Path, home: Path, name: str, *, width: int = 1400) -> Iterator:
    """A notebook opened in a browser with all its cells run."""
    playwright = pytest.importorskip("playwright.sync_api")
    with lab(work, home) as (base, token), playwright.sync_playwright() as runner:
        browser = runner.chromium.launch(executable_path=find_browser(), args=FLAGS)
        page = browser.new_page(viewport={"width": width, "height": 1000})
        page.goto(f"{base}/lab/tree/{name}?reset&token={token}")
        page.locator(".jp-NotebookPanel .jp-Cell").first.wait_for(timeout=90_000)
        # The page shows "idle" before there is a kernel, and a run asked for then is lost
        until_ready(lambda: connected(base, token), 60, home / "server.log")
        page.wait_for_timeout(500)
        page.get_by_role("menuitem", name="Run", exact=True).click()
        page.get_by_role("menuitem", name="Run All Cells", exact=True).click()
        outcome = page.wait_for_function(DONE, timeout=170_000).json_value()
        assert outcome.startswith("ran"), outcome
        yield page
        page.keyboard.press("Control+s")
        page.wait_for_timeout(2000)
        browser.close()
