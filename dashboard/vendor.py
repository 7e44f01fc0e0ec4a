"""Fetch the files of others which the site carries, with their licence texts: `python -m dashboard.vendor`.

Needs npm and a network; nothing else does. Run it after a version changes, then `python -m dashboard.build`.
"""

import json
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from pathlib import Path

from dashboard.build import SITE, VERSIONS, as_json, chart_versions, put, read_versions, report, sha256

DOCS_PACKAGE = "swagger-ui-dist"
DOCS_VERSION = "5.35.0"
DOCS_FILES = {
    "swagger-ui-bundle.js": "docs/swagger-ui-bundle.js",
    "swagger-ui.css": "docs/swagger-ui.css",
    "LICENSE": "docs/LICENSE",
    "NOTICE": "docs/NOTICE",
    "swagger-ui-bundle.js.LICENSE.txt": "docs/swagger-ui-bundle.js.LICENSE.txt",
}
LICENCE_NAMES = ("LICENSE", "LICENCE", "COPYING")
HEADING = """Licence texts of the programs inside vendor/vega.js, one after another.
The bundle holds vega, vega-lite and vega-embed and what these are built from. A version named here is the
one the text was taken from; VERSIONS.json names the bundle's own. The API page's licences stand in docs/.
"""


def main() -> int:
    """Fetch, record versions and hashes; the exit code."""
    npm = shutil.which("npm")
    if npm is None:
        return report(["npm is not installed: apt-get install -y npm"])
    with tempfile.TemporaryDirectory() as scratch:
        modules = install(npm, Path(scratch))
        files = {kept: (modules / DOCS_PACKAGE / name).read_bytes() for name, kept in DOCS_FILES.items()}
        files["LICENSES.txt"] = licence_texts(modules)
    record(files)
    return 0


def install(npm: str, scratch: Path) -> Path:
    """Install the packages at the bundle's own versions, running none of their scripts; their folder."""
    wanted = [f"{name}@{version}" for name, version in chart_packages().items()]
    put(scratch / "package.json", b"{}")
    options = ["--ignore-scripts", "--no-audit", "--no-fund", "--omit=dev", "--legacy-peer-deps"]
    subprocess.run(
        [npm, "install", *options, *wanted, f"{DOCS_PACKAGE}@{DOCS_VERSION}"], cwd=scratch, check=True
    )
    return scratch / "node_modules"


def chart_packages() -> dict[str, str]:
    """The npm packages of the chart bundle with a version npm understands (`6.4` means its newest patch)."""
    return {name: version for name, version in chart_versions().items() if name.startswith("vega")}


def licence_texts(modules: Path) -> bytes:
    """Every installed chart package's name, version, licence and licence text."""
    parts = [
        HEADING,
        *(licence_of(folder) for folder in packages(modules) if folder.name not in (DOCS_PACKAGE, "scarf")),
    ]
    return ("\n" + "=" * 78 + "\n").join(parts).encode()


def packages(modules: Path) -> Iterator[Path]:
    """Folders of all installed packages, those with a scope too, in order of name."""
    manifests = sorted([*modules.glob("*/package.json"), *modules.glob("@*/*/package.json")])
    return (manifest.parent for manifest in manifests)


def licence_of(package: Path) -> str:
    """One package's licence, as it came; says so plainly where the package brings no text."""
    about = json.loads((package / "package.json").read_text("utf-8"))
    texts = [
        path for path in sorted(package.iterdir()) if path.stem.upper() in LICENCE_NAMES and path.is_file()
    ]
    body = "\n".join(path.read_text("utf-8").strip() for path in texts)
    missing = "(the package brings no licence text; its manifest names the licence above)"
    return f"{about['name']} {about['version']}\nlicence: {about.get('license', 'not named')}\n\n{body or missing}\n"


def record(files: dict[str, bytes]) -> None:
    """Write the files into the site and their versions and hashes beside them."""
    versions = {name: entry for name, entry in read_versions(SITE).items() if name == "vega.js"}
    for name, content in files.items():
        put(SITE / "vendor" / name, content)
        source = {DOCS_PACKAGE: DOCS_VERSION} if name.startswith("docs/") else chart_packages()
        versions[name] = {**source, "sha256": sha256(content)}
    put(SITE / VERSIONS, as_json(versions))


if __name__ == "__main__":
    raise SystemExit(main())
