"""Complete `dashboard/site`, the folder a server hands out: `python -m dashboard.build`.

Its scripts and its style sheet are written there; its pages and charts are made here, from `pages/` and `charts/`, and
committed, so that serving them needs neither the chart library nor node.
`--check` writes nothing and ends with 1 when the folder differs from what a build would give.
"""

import argparse
import hashlib
import json
import re
import string
import sys
from functools import cache
from importlib import metadata
from pathlib import Path

import vl_convert

from dashboard.charts import bays, car, gain, odd, pulls, sheet, spread, theme, worth

HERE = Path(__file__).parent
SITE = HERE / "site"
PAGES: dict[str, tuple[str, str | None]] = {
    "index.html": ("Which question?", "start.js"),
    "gain.html": ("What does this part gain?", "gain.js"),
    "spread.html": ("How do stock cars differ?", "spread.js"),
    "worth.html": ("What is worth its money?", "worth.js"),
    "odd.html": ("What is odd?", "odd.js"),
    "car.html": ("What was measured on this car?", "car.js"),
    "bays.html": ("Do the bays agree?", "bays.js"),
    "sheet.html": ("The sheet", "sheet.js"),
    "questions.html": ("What can be asked", None),
    "404.html": ("No such page", None),
}
LOST = "404.html"
WRITTEN = ("style.css", "vendor/docs/docs.html", "vendor/docs/init.js")
"""What is written in the site beside the pages' scripts; the page of the API's description lies with what it starts."""

SHARED_FIELDS = ("measure", "units")  # asked on several pages: dashboard/pages/fields
CHARTS = {
    "car-rows": car.rows,
    "car-levels": car.levels,
    "car-curves": car.curves,
    "gain-curve": gain.curve,
    "gain-cars": gain.cars,
    "gain-density": gain.density,
    "spread-histogram": spread.histogram,
    "spread-dots": spread.dots,
    "worth": worth.cost_against_gain,
    "odd-strips": odd.strips,
    "bays-offsets": bays.offsets,
    "bays-checks": bays.checks,
    "bays-repeats": bays.repeats,
    "bays-time": bays.happenings,
    "pulls": pulls.curves,
    "sheet-curve": sheet.curve,
    "sheet-gain": sheet.gain,
}
VERSIONS = Path("vendor/VERSIONS.json")
CHART_BUNDLE = Path("vendor/vega.js")
BUNDLE_EXPORT = "export { vegaEmbed };"  # a module: nothing of it lands on the window


def main(arguments: list[str] | None = None) -> int:
    """Build, or with `--check` compare; the exit code."""
    parser = argparse.ArgumentParser(prog="python -m dashboard.build", description=__doc__)
    parser.add_argument("--check", action="store_true", help="compare only; 1 when the folder is out of date")
    if parser.parse_args(arguments).check:
        return report(differences(SITE))
    write(SITE)
    print(f"written: {SITE}")
    return report(stray_faults(SITE) + vendored_faults(SITE))


def made_files() -> dict[str, bytes]:
    """Every file of the site that is made here, by its path in the site."""
    files = {name: page(name, title, script) for name, (title, script) in PAGES.items()}
    files[LOST] = from_the_root(files[LOST])
    files |= chart_files()
    files["light.json"] = as_json(theme.LIGHT)
    return files


@cache
def chart_files() -> dict[str, bytes]:
    """The specifications of all charts, made once: the chart library takes seconds for them."""
    return {f"charts/{name}.json": as_json(make()) for name, make in CHARTS.items()}


def scripts() -> set[str]:
    """The scripts of all pages."""
    firsts = [script for _, script in PAGES.values() if script is not None]
    return {*firsts, *(name for script in firsts for name in imported(script, []))}


def page(name: str, title: str, script: str | None) -> bytes:
    """One page: its own middle, with the fields it shares with others, inside the frame that all pages share."""
    run = (
        ""
        if script is None
        else "\n".join([*preloads(script), f'<script type="module" src="{script}"></script>', ""])
    )
    frame = template("frame.html")
    fields = {field: template(f"fields/{field}.html").template.rstrip() for field in SHARED_FIELDS}
    middle = template(name).substitute(fields)
    here = {f"{other}_here".replace(".html", ""): "" for other in PAGES}
    here[f"{name}_here".replace(".html", "")] = ' aria-current="page"'
    return frame.substitute(title=title, run=run, middle=middle.rstrip(), **here).encode()


def from_the_root(html: bytes) -> bytes:
    """A page that is shown at any address, however deep, links from the root."""
    return re.sub(rb'href="(?![/#]|data:)', b'href="/', html)


IMPORTED = re.compile(r'\bfrom "\./([\w-]+\.js)"|^import "\./([\w-]+\.js)"', re.MULTILINE)
DRAWS = re.compile(r'import \{[^}]*\bchart\b[^}]*\} from "\./chart\.js"')


def preloads(script: str) -> list[str]:
    """Links that let a browser fetch a page's scripts together, not one import after another; the chart bundle last."""
    names = imported(script, [])
    draws = any(DRAWS.search(source(name)) for name in [script, *names])
    files = [*names, *([str(CHART_BUNDLE)] if draws else [])]
    return [f'<link rel="modulepreload" href="{name}">' for name in files]


def imported(script: str, known: list[str]) -> list[str]:
    """The scripts that a script imports, those that these import, and so on."""
    for match in IMPORTED.finditer(source(script)):
        name = match[1] or match[2]
        if name not in known:
            known.append(name)
            imported(name, known)
    return known


def source(script: str) -> str:
    """A script of ours."""
    return (SITE / script).read_text("utf-8")


def template(name: str) -> string.Template:
    """A file of `dashboard/pages`."""
    return string.Template((HERE / "pages" / name).read_text("utf-8"))


def as_json(value: object) -> bytes:
    """JSON a person can read in a difference: sorted, indented, ended by a line feed."""
    return (json.dumps(value, indent=1, sort_keys=True, ensure_ascii=False) + "\n").encode()


def write(site: Path) -> None:
    """Write what is made here, and the chart bundle."""
    for name, content in made_files().items():
        put(site / name, content)
    bundle = vl_convert.javascript_bundle(BUNDLE_EXPORT).encode()
    put(site / CHART_BUNDLE, bundle)
    versions = read_versions(site)
    versions[CHART_BUNDLE.name] = {**chart_versions(), "sha256": sha256(bundle)}
    put(site / VERSIONS, as_json(versions))


def differences(site: Path) -> list[str]:
    """What a build would change, one sentence each; empty when the folder is current."""
    faults = [
        f"{name} is not what a build gives"
        for name, content in made_files().items()
        if have(site / name) != content
    ]
    return faults + stray_faults(site) + vendored_faults(site)


def vendored_faults(site: Path) -> list[str]:
    """Files of others which are missing, changed, or of another version than the installed one."""
    versions = read_versions(site)
    faults = [
        f"vendor/{name} is missing or changed: python -m dashboard.vendor"
        for name, entry in versions.items()
        if sha256(have(site / "vendor" / name)) != entry["sha256"]
    ]
    if CHART_BUNDLE.name not in versions:
        return [*faults, "vendor/vega.js is not recorded in VERSIONS.json"]
    recorded = {key: value for key, value in versions[CHART_BUNDLE.name].items() if key != "sha256"}
    if recorded != chart_versions():
        faults.append(f"vendor/vega.js was made by {recorded}, installed is {chart_versions()}")
    return faults


def chart_versions() -> dict[str, str]:
    """The versions inside the chart bundle."""
    return {
        "vl-convert-python": metadata.version("vl-convert-python"),
        "vega": vl_convert.get_vega_version(),
        "vega-lite": vl_convert.get_vegalite_versions()[-1],
        "vega-embed": vl_convert.get_vega_embed_version(),
    }


def read_versions(site: Path) -> dict[str, dict[str, str]]:
    """VERSIONS.json, or nothing recorded yet."""
    content = have(site / VERSIONS)
    recorded: dict[str, dict[str, str]] = json.loads(content) if content else {}
    return recorded


def stray_faults(site: Path) -> list[str]:
    """Files which no page needs and no vendoring step wrote."""
    vendored = {f"vendor/{name}" for name in read_versions(site)}
    known = {*made_files(), *WRITTEN, *scripts(), str(VERSIONS), *vendored}
    found = {path.relative_to(site).as_posix() for path in site.rglob("*") if path.is_file()}
    return [f"{name} belongs to nothing: remove it" for name in sorted(found - known)]


def have(path: Path) -> bytes:
    """The bytes of a file, nothing where there is none."""
    return path.read_bytes() if path.is_file() else b""


def put(path: Path, content: bytes) -> None:
    """Write a file and the folders above it."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(content)


def sha256(content: bytes) -> str:
    """The content's SHA-256 [hex]."""
    return hashlib.sha256(content).hexdigest()


def report(faults: list[str]) -> int:
    """Print the faults; 0 when there are none."""
    for fault in faults:
        print(fault, file=sys.stderr)
    return 1 if faults else 0


if __name__ == "__main__":
    raise SystemExit(main())
