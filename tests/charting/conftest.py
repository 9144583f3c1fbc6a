"""A real JupyterLab on a free port, with everything of its own in a temporary folder."""

from __future__ import annotations

import importlib.util
import json
import os
import shutil
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from contextlib import contextmanager
from pathlib import Path

import pytest

import sidewall

NEEDED = ("jupyterlab", "anywidget", "playwright", "nbformat", "ipykernel")


def why_not() -> str:
    """What is missing for a test in the browser; blank if nothing is."""
    missing = [name for name in NEEDED if importlib.util.find_spec(name) is None]
    if shutil.which("chromium") is None:
        missing.append("the program chromium")
    return f"not installed: {', '.join(missing)}" if missing else ""


class Lab:
    """A running JupyterLab."""

    def __init__(self, folder: Path, port: int) -> None:
        self.folder, self.port, self.token = folder, port, "only-for-this-test"

    def address(self, path: str) -> str:
        return f"http://127.0.0.1:{self.port}/{path}?token={self.token}"

    def answers(self) -> bool:
        try:
            with urllib.request.urlopen(self.address("api/status"), timeout=2) as reply:
                return reply.status == 200
        except (urllib.error.URLError, OSError):
            return False


@contextmanager
def running_lab(folder: Path, theme: str = "JupyterLab Light"):
    """Start JupyterLab in a folder, and stop it at the end."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    own = folder.parent / f"{folder.name}-jupyter"
    settings = own / "settings"
    for name, values in {
        "notification": {"fetchNews": "false", "checkForUpdates": False},
        "themes": {"theme": theme},
    }.items():
        place = settings / "@jupyterlab/apputils-extension"
        place.mkdir(parents=True, exist_ok=True)
        (place / f"{name}.jupyterlab-settings").write_text(json.dumps(values), encoding="utf-8")
    lab = Lab(folder, port)
    paths = [str(Path(sidewall.__file__).parents[1]), os.environ.get("PYTHONPATH", "")]
    environment = {
        **os.environ,
        "PYTHONPATH": os.pathsep.join(path for path in paths if path),
        "JUPYTER_CONFIG_DIR": str(own / "config"),
        "JUPYTER_DATA_DIR": str(own / "data"),
        "JUPYTER_RUNTIME_DIR": str(own / "runtime"),
        "IPYTHONDIR": str(own / "ipython"),
    }
    command = [
        *(sys.executable, "-m", "jupyterlab", "--no-browser", "--ip=127.0.0.1", "--allow-root"),
        *(f"--port={port}", "--ServerApp.port_retries=0", f"--IdentityProvider.token={lab.token}"),
        *(f"--ServerApp.root_dir={folder}", f"--LabApp.user_settings_dir={settings}"),
        *(f"--LabApp.workspaces_dir={own / 'workspaces'}", "--LabApp.expose_app_in_browser=True"),
    ]
    with (folder.parent / f"{folder.name}.server.txt").open("w") as output:
        server = subprocess.Popen(
            command, cwd=folder, env=environment, stdout=output, stderr=subprocess.STDOUT
        )
        try:
            until = time.monotonic() + 60
            while not lab.answers():
                assert server.poll() is None, Path(output.name).read_text()
                assert time.monotonic() < until, Path(output.name).read_text()
                time.sleep(0.2)
            yield lab
        finally:
            server.terminate()
            try:
                server.wait(15)
            except subprocess.TimeoutExpired:
                server.kill()
                server.wait()


@pytest.fixture
def lab(tmp_path):
    missing = why_not()
    if missing:
        pytest.skip(missing)
    folder = tmp_path / "notebooks"
    folder.mkdir()
    with running_lab(folder) as started:
        yield started


@pytest.fixture
def page(lab):
    from playwright.sync_api import sync_playwright  # noqa: PLC0415

    with sync_playwright() as play:
        browser = play.chromium.launch(
            executable_path=shutil.which("chromium"), args=["--no-sandbox"]
        )
        yield browser.new_page(viewport={"width": 1280, "height": 800})
        browser.close()
