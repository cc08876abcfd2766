"""What a study may do to the machine it runs on, and its labels to who opens the output: watched from outside."""

from __future__ import annotations

import csv
import html.parser
import json
import os
import shutil
import subprocess
import sys
import textwrap
from pathlib import Path

import pytest

import roomsim

GOOD = Path(__file__).parents[1] / "definitions" / "good"
ROOM, DESIGN, PLACE = "<script>alert(1)</script>", "=HYPERLINK(1)", "<img src=x onerror=alert(2)>"
STUDY = f"""\
study: '@SUM(1+1) & <b>bold</b>'
rooms: {{'{ROOM}': room.yaml}}
settings: [ordinary]
designs: {{'{DESIGN}': {{loudspeaker: bar.yaml}}, '+plus': {{loudspeaker: bar.yaml}}}}
places: {{'{PLACE}': {{gap_m: 0.05, height_m: 0.75}}}}
seats: {{distance_m: 2.5, count: 2}}
frequency: {{low_hz: 250, high_hz: 2000, per_octave: 3}}
"""
WATCHED = textwrap.dedent("""
    import json, os, sys
    seen = []

    def hook(event, given):
        if event == "open" and isinstance(given[0], (str, bytes)):
            writes = (given[2] or 0) & (os.O_WRONLY | os.O_RDWR)
            seen.append(("write" if writes else "read", os.path.realpath(os.fsdecode(given[0]))))
        elif event in ("socket.connect", "socket.bind", "socket.getaddrinfo", "socket.gethostbyname", "socket.sendto",
                       "urllib.Request", "os.system", "os.exec", "os.posix_spawn", "subprocess.Popen", "ftplib.connect",
                       "http.client.connect", "webbrowser.open", "pickle.find_class"):
            seen.append((event, [str(one) for one in given][:2]))
        elif event in ("os.remove", "os.rename", "os.mkdir", "os.rmdir", "os.symlink", "os.link", "shutil.rmtree"):
            seen.extend((event, os.path.realpath(one)) for one in given if isinstance(one, str))

    from functools import partial
    from roomsim.cli import main
    from roomsim.engines.hybrid import Options
    from roomsim.studies import plan
    plan.Options = partial(Options, rays=200)          # quick: no number is judged here
    sys.addaudithook(hook)
    code = main(["predict", "study.yaml", "--jobs", "1"])
    told = json.dumps([code, seen])
    with open(sys.argv[1], "w") as file:
        file.write(told)
""")


@pytest.fixture(scope="module")
def watched(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list]:
    """A study whose labels are hostile, its output, and what the process did meanwhile."""
    folder = tmp_path_factory.mktemp("watched")
    job = folder / "job"
    job.mkdir()
    for name in ("room.yaml", "bar.yaml"):
        shutil.copy(GOOD / name, job)
    (job / "study.yaml").write_text(STUDY)
    home = os.pathsep.join([str(Path(roomsim.__file__).parents[1]), os.environ.get("PYTHONPATH", "")])
    caches = {"MPLCONFIGDIR": str(folder / "caches"), "XDG_CACHE_HOME": str(folder / "caches")}
    done = subprocess.run([sys.executable, "-c", WATCHED, str(folder / "told.json")], cwd=job, capture_output=True,
                          text=True, env={**os.environ, **caches, "PYTHONPATH": home, "OMP_NUM_THREADS": "1"})
    assert done.returncode == 0, done.stderr
    code, seen = json.loads((folder / "told.json").read_text())
    assert code == 0, done.stderr
    return folder, seen


def test_a_study_stays_in_its_folder_and_off_the_network(watched: tuple[Path, list]) -> None:
    folder, seen = watched
    assert any(event == "write" and "study-results" in what for event, what in seen)          # it did watch
    changed = {what for event, what in seen if event in ("write", "os.remove", "os.rename", "os.mkdir", "os.rmdir",
                                                         "os.symlink", "os.link", "shutil.rmtree")}
    package = Path(roomsim.__file__).parent
    caches = os.environ.get("NUMBA_CACHE_DIR", f"{package}/")              # the package: the compiler's cache only
    allowed = (str(folder), "/dev/null", f"{package}/", caches)
    beyond = {what for what in changed if not what.startswith(allowed)}
    assert not beyond
    assert all("__pycache__" in what for what in changed if what.startswith(f"{package}/"))
    calls = [(event, what) for event, what in seen if event.startswith(("socket.", "urllib", "http", "ftplib", "os.sys",
                                                                       "os.exec", "os.posix", "webbrowser"))]
    assert not calls
    for event, what in seen:
        if event == "subprocess.Popen":
            # the reader of foreign files, and the drawing library's search for fonts when it has no cache
            assert "foreign_child" in " ".join(what) or what[0] == "fc-list", what
    # Of the user's files it read those of the study and none beside.
    beside = {what for event, what in seen if event == "read" and what.startswith(str(folder)) and "caches" not in what}
    inputs = {what for what in beside if "study-results" not in what}
    assert inputs == {str(folder.resolve() / "job" / name) for name in ("study.yaml", "room.yaml", "bar.yaml")}


class Tags(html.parser.HTMLParser):
    """Elements and attributes of a page, as a browser would see them."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: list[tuple[str, dict]] = []
        self.text: list[str] = []

    def handle_starttag(self, tag: str, attrs: list) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.text.append(data)


def test_labels_are_text_in_the_page(watched: tuple[Path, list]) -> None:
    page = Tags()
    page.feed((watched[0] / "job" / "study-results" / "report.html").read_text("utf-8"))
    assert sum(tag == "script" for tag, _ in page.tags) == 1                               # the page's own
    assert not any(tag in ("img", "iframe", "object", "embed", "form", "base") for tag, _ in page.tags)
    handlers = [name for _, attributes in page.tags for name in attributes if name.startswith("on")]
    assert not handlers
    outward = [value for _, attributes in page.tags for name, value in attributes.items()
               if name in ("src", "href", "xlink:href", "action") and value and not value.startswith("#")
               and value != "data:,"]                                              # an icon that is none
    assert not outward
    assert "@SUM(1+1) & <b>bold</b>" in " ".join(page.text)
    text = "".join(page.text)
    assert all(label in text for label in (ROOM, DESIGN, PLACE))


def test_no_cell_of_a_table_is_a_formula(watched: tuple[Path, list]) -> None:
    tables = sorted((watched[0] / "job" / "study-results").rglob("*.csv"))
    seen = set()
    assert tables
    for table in tables:
        with table.open(newline="", encoding="utf-8-sig") as file:
            for row in csv.reader(file):
                for cell in row:
                    seen.add(cell)
                    if cell[:1] in ("=", "+", "-", "@", "\t", "\r", "|"):
                        float(cell)                                         # a number, or it fails here
    assert f"'{DESIGN}" in seen and "'+plus" in seen


def test_files_are_named_by_no_label(watched: tuple[Path, list]) -> None:
    for path in (watched[0] / "job" / "study-results").rglob("*"):
        assert not set(path.name) & set("<>:|=+'\"\\()"), path.name


def test_notes_reach_the_page_too(watched: tuple[Path, list]) -> None:
    """What a result takes for granted stands in the page, as it does in the table and in the JSON (test_sanity.py)."""
    from roomsim.files.netcdf import read_netcdf

    folder = watched[0] / "job" / "study-results"
    page = Tags()
    page.feed((folder / "report.html").read_text("utf-8"))
    text = " ".join("".join(page.text).split())
    with read_netcdf(folder / "result.nc") as stored:
        notes = json.loads(stored.attrs["metadata"])["notes"]
    assert notes
    for note in notes:
        assert " ".join(note["text"].split()) in text, note
