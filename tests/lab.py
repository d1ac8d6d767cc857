"""A real JupyterLab with a copy of notebooks and sample, and a real browser that runs them."""

import contextlib
import json
import os
import shutil
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from dataclasses import dataclass, field
from pathlib import Path

ROOT = Path(__file__).parent.parent
SETTINGS = {
    "notebook-extension/tracker": {"windowingMode": "none"},
    "apputils-extension/notification": {"fetchNews": "false", "checkForUpdates": False},
}
"""Every cell is in the page, not only those in view; nobody is asked about news."""
ERROR = ".jp-RenderedText[data-mime-type='application/vnd.jupyter.error']"
STDERR = ".jp-RenderedText[data-mime-type='application/vnd.jupyter.stderr']"
OUTPUT = ".jp-Cell-outputArea .jp-OutputArea-output"
BAR = ".jupyter-widgets.widget-hbox"
DROPPED_S = 5.0
"""No cell waits or runs for so long, though some have not run."""
MOST_LOADS = 4
"""Times that a page is loaded: one that was still being built may drop cells, or its kernel."""
BROWSERS = ("chromium", "chromium-browser", "google-chrome")


@dataclass
class Seen:
    """What a browser saw of a notebook after Run All."""

    seconds: float
    first_result_s: float
    errors: list = field(default_factory=list)
    tables: int = 0
    charts: int = 0
    players: int = 0
    bars: list = field(default_factory=list)
    wide: list = field(default_factory=list)


def browser_path():
    """Return where a Chromium is; None where there is none."""
    return next((found for name in BROWSERS if (found := shutil.which(name))), None)


@contextlib.contextmanager
def jupyterlab(folder):
    """Serve a copy of notebooks and sample in a folder; yields the address."""
    folder = Path(folder)
    for name in ("notebooks", "sample_audio"):
        shutil.copytree(ROOT / name, folder / name, ignore=shutil.ignore_patterns("evidence*"))
    for name, settings in SETTINGS.items():
        path = folder / "settings" / "@jupyterlab" / f"{name}.jupyterlab-settings"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(json.dumps(settings))
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    own = {f"JUPYTER_{name}_DIR": str(folder / name.lower()) for name in ("CONFIG", "RUNTIME")}
    own["JUPYTERLAB_SETTINGS_DIR"] = str(folder / "settings")
    own["JUPYTERLAB_WORKSPACES_DIR"] = str(folder / "workspaces")
    environment = {key: v for key, v in os.environ.items() if key != "MPLBACKEND"} | own
    command = [sys.executable, "-m", "jupyterlab", "--no-browser", f"--port={port}", "--allow-root"]
    command += [f"--ServerApp.root_dir={folder}", "--IdentityProvider.token=", "--port-retries=0"]
    command += ["--ServerApp.disable_check_xsrf=True"]  # a test asks for kernels beside the page
    with (folder / "server.log").open("wb") as log:
        server = subprocess.Popen(command, cwd=folder, env=environment, stdout=log, stderr=log)
        try:
            address = f"http://127.0.0.1:{port}"
            _wait_for(address, server, folder / "server.log")
            yield address
        finally:
            server.terminate()
            try:
                server.wait(20)
            except subprocess.TimeoutExpired:
                server.kill()
                server.wait()


def _wait_for(address, server, log, seconds=120):
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if server.poll() is not None:
            break
        with contextlib.suppress(OSError):
            urllib.request.urlopen(f"{address}/api", timeout=5).close()
            return
        time.sleep(0.3)
    raise RuntimeError(f"JupyterLab did not start:\n{log.read_text(errors='replace')[-2000:]}")


@contextlib.contextmanager
def browser():
    """Start a headless Chromium of the system."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(
            executable_path=browser_path(), args=["--no-sandbox", "--disable-gpu"]
        )
        try:
            yield chromium
        finally:
            chromium.close()


def run_all(chromium, address, notebook, *, picture=None, seconds=150):
    """Open a notebook, choose Run All Cells, wait until it is done, and look at the page."""
    page = chromium.new_page(viewport={"width": 1300, "height": 1000})
    _start(address, f"notebooks/{notebook}.ipynb")
    try:
        seen = None
        for _ in range(MOST_LOADS):
            page.goto(f"{address}/lab/workspaces/{notebook[:2]}/tree/notebooks/{notebook}.ipynb")
            page.wait_for_selector(".jp-Notebook .jp-CodeCell", timeout=60_000)
            idle = ".jp-Notebook-ExecutionIndicator[data-status=idle]"
            page.wait_for_selector(idle, state="attached", timeout=90_000)
            begun = _run_all_cells(page)
            seen = None if begun is None else _wait_until_done(page, seconds, begun)
            if seen is not None:
                break
        else:
            raise RuntimeError(f"Run All Cells did nothing in {MOST_LOADS} loads of {notebook}")
        page.wait_for_timeout(500)
        _look_at(page, seen)
        if picture is not None:
            height = page.evaluate("document.querySelector('.jp-WindowedPanel-outer').scrollHeight")
            page.set_viewport_size({"width": 1300, "height": min(int(height) + 120, 16_000)})
            page.evaluate("document.querySelector('.jp-WindowedPanel-outer').scrollTo(0, 0)")
            page.wait_for_timeout(700)
            page.screenshot(path=str(picture))
        return seen
    finally:
        page.close()
        for session in json.loads(_ask(f"{address}/api/sessions", "GET")):
            with contextlib.suppress(urllib.error.HTTPError):  # the page may have ended it
                _ask(f"{address}/api/sessions/{session['id']}", "DELETE")


def _start(address, path):
    """Start a notebook's kernel before the page opens: a slow page asks which and starts two."""
    wanted = {"path": path, "name": path, "type": "notebook", "kernel": {"name": "python3"}}
    _ask(f"{address}/api/sessions", "POST", wanted)


def _ask(url, method, content=None):
    data = None if content is None else json.dumps(content).encode()
    with urllib.request.urlopen(
        urllib.request.Request(url, data, method=method), timeout=60
    ) as answer:
        return answer.read()


def _run_all_cells(page, times=3):
    """Choose Run, Run All Cells, and return when; a page being built may miss it: then None."""
    menu = page.locator(".lm-MenuBar-item:has(.lm-MenuBar-itemLabel:text-is('Run'))")
    entry = page.locator(".lm-Menu-item:has(.lm-Menu-itemLabel:text-is('Run All Cells'))")
    for _ in range(times):
        with contextlib.suppress(Exception):
            first = page.locator(".jp-Notebook .jp-Cell").first
            first.click(position={"x": 200, "y": 20}, timeout=8000)
            menu.click(timeout=4000)
            entry.click(timeout=4000)
        begun = time.monotonic()
        while time.monotonic() < begun + 1.5:
            page.wait_for_timeout(100)
            if any(text != "" for text in _prompts(page)):
                return begun
        page.keyboard.press("Escape")
    return None


def _prompts(page):
    """Return what stands beside each code cell: a number, a star, or nothing."""
    texts = page.locator(".jp-CodeCell .jp-InputPrompt").all_inner_texts()
    return [text.strip("[]: \u00a0\n") for text in texts]


def _wait_until_done(page, seconds, begun):
    """Wait for the last cell of a notebook whose cells run since ``begun``.

    Returns None where a page that was still being built has dropped the cells that were waiting.
    """
    first, waited = None, begun
    tables = page.locator(f"{OUTPUT} table").filter(has_not_text="what to do")  # not that of a cue
    numbers = page.locator(BAR).filter(has_text="left,")  # a number beside the bar comes first
    while True:
        now = time.monotonic() - begun
        if first is None and (tables.count() or numbers.count()):
            first = now
        prompts = _prompts(page)
        if page.locator(ERROR).count() or all(text.isdigit() for text in prompts):
            return Seen(now, now if first is None else first)
        if "*" in prompts:
            waited = time.monotonic()
        if time.monotonic() > waited + DROPPED_S:
            return None
        if now > seconds:
            return Seen(now, now, [f"not done after {seconds} s: {prompts}"])
        page.wait_for_timeout(150)


def _look_at(page, seen):
    seen.errors += page.locator(f"{ERROR}, {STDERR}").all_inner_texts()
    seen.tables = page.locator(f"{OUTPUT} table").count()
    loaded = "images => images.filter(i => i.complete && i.naturalWidth > 100).length"
    seen.charts = page.locator(f"{OUTPUT} img").evaluate_all(loaded)
    sounding = "players => players.filter(p => p.duration > 0.5).length"
    seen.players = page.locator(f"{OUTPUT} audio").evaluate_all(sounding)
    seen.bars = page.locator(BAR).all_inner_texts()
    cut = "cells => cells.filter(c => c.scrollWidth > c.clientWidth + 2).map(c => c.innerText)"
    wide = page.locator(f"{OUTPUT} .jp-RenderedHTMLCommon").evaluate_all(cut)
    seen.wide = [text[:80] for text in wide]
