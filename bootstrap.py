#!/usr/bin/env python3
"""Sets Bayledger up and runs it. Needs Python 3.11 or newer and nothing else.

Every word is a function below; `python3 bootstrap.py help` lists them. What is installed goes into ./.venv, what
the ledger keeps into ./.bayledger, and nothing else on the machine is touched (one exception: `test` as root on
Debian installs a browser, and says so).

Old Pythons must be able to read this file, to say what is wrong: no newer syntax than f-strings.
"""

import contextlib
import glob
import hashlib
import importlib.util
import os
import shutil
import subprocess
import sys
import time

ROOT = os.path.dirname(os.path.abspath(__file__))
VENV = os.path.join(ROOT, ".venv")
PYTHON = os.path.join(VENV, "bin", "python")
STAMP = os.path.join(VENV, "bayledger.stamp")
LAUNCHER = os.path.join(VENV, "bin", "bayledger")
DATA = os.path.join(ROOT, ".bayledger")
LOG = os.path.join(VENV, "install.log")

OLDEST = (3, 11)
# Published as source only, so it is built here by the locked setuptools instead of in an isolated folder.
BUILT_HERE = "psychrolib"
BUILD_LOCK = "requirements-build.lock"
LOCKS = {"run": [BUILD_LOCK, "requirements.lock"]}
LOCKS["dev"] = [*LOCKS["run"], "requirements-dev.lock"]
# A whole test run uses the machine's cores, and one process more while others wait; each has a Postgres of its own. `test -n 0`
# keeps to one. What shapes the machine keeps to the cores.
SPREAD = ["--dist", "loadscope", "--no-loadscope-reorder"]
MOST_PROCESSES = 4

# Undo a person's pip settings that would get in the way; build psychrolib the present way with an old pip.
PIP_SETTINGS = {"PIP_REQUIRE_VIRTUALENV": "0", "PIP_USER": "0", "PIP_USE_PEP517": "1"}


class SetupError(Exception):
    """Something the person at the keyboard has to change; the text says what."""


def require_python(version=sys.version_info, which=shutil.which):
    """Stop with the way out when this Python is too old."""
    if tuple(version[:2]) >= OLDEST:
        return
    newer = find_newer_python(which)
    if newer:
        way_out = f"There is a newer one here. Run:\n  {newer} {' '.join(['bootstrap.py', *sys.argv[1:]])}"
    else:
        way_out = f"Install a newer one:\n  {package_hint('python', which)}"
    raise SetupError(f"Bayledger needs Python 3.11 or newer; this is {version[0]}.{version[1]}.\n{way_out}")


def find_newer_python(which=shutil.which):
    """Name of the newest usable Python on PATH, or None. It must start: a name alone can be a shim."""
    for minor in range(19, OLDEST[1] - 1, -1):
        name = f"python3.{minor}"
        if which(name) and answers(name):
            return name
    return None


def answers(name):
    """Whether that interpreter really starts."""
    with contextlib.suppress(OSError):
        return subprocess.call([name, "-c", ""], stderr=subprocess.DEVNULL) == 0
    return False


def package_hint(need, which=shutil.which, version=sys.version_info):
    """The line to type on this system for `need`: python, venv or browser."""
    mine, least = f"3.{version[1]}", f"3.{max(version[1], OLDEST[1])}"
    names = {
        "python": (
            f"python{least} python{least}-venv",
            f"python{least}",
            "python@3.13",
            "Python 3.11 or newer",
        ),
        "venv": (f"python{mine}-venv", "python3-pip", "python@3.13", "the venv module and pip"),
        "browser": ("chromium", "chromium", "--cask chromium", "Chromium"),
    }
    apt, dnf, brew, words = names[need]
    sudo = "" if is_root() else "sudo "
    if which("apt-get"):
        return f"{sudo}apt-get update && {sudo}apt-get install -y {apt}"
    if which("dnf"):
        return f"{sudo}dnf install -y {dnf}"
    if which("brew") or sys.platform == "darwin":
        return f"brew install {brew}"
    return f"install {words} with this system's package manager"


def is_root():
    return os.geteuid() == 0


def ensure(kind):
    """See to it that ./.venv holds the locked packages of `kind` ("run" or "dev"); quick when it does."""
    if up_to_date(kind):
        return
    with only_one_at_a_time():
        if not up_to_date(kind):
            install(kind)


def up_to_date(kind):
    """The stamp is written last, so a stamp that fits means a whole environment. dev holds all of run."""
    stamped = read_text(STAMP).splitlines()
    return os.path.exists(PYTHON) and stamp_line(kind) in stamped


def stamp_line(kind):
    """One line that changes with the locks, with the folder (scripts in an environment know its path) and with Python's version
    (its packages lie in a folder that is named by it)."""
    digest = hashlib.sha256("{}, Python {}.{}".format(ROOT, *sys.version_info[:2]).encode())
    for name in LOCKS[kind]:
        digest.update(read_text(os.path.join(ROOT, name)).encode())
    return f"{kind} {digest.hexdigest()}"


@contextlib.contextmanager
def only_one_at_a_time():
    """Two terminals may start at once; the second waits. The kernel frees it if we are killed."""
    import fcntl

    with open(os.path.abspath(__file__), encoding="utf-8") as held:
        with contextlib.suppress(OSError):  # a file system without locks
            fcntl.flock(held, fcntl.LOCK_EX)
        yield


def install(kind):
    """Add the tests' packages to a whole environment; in every other case make it anew."""
    begun = time.monotonic()
    extends = up_to_date("run")
    if os.path.exists(STAMP):
        os.remove(STAMP)
    way = way_into(installers()) if extends else make_venv(installers())
    for command, lock in install_commands(way, kind):
        follow(command, lock)
    compile_ahead()
    join_the_tree()
    with open(STAMP, "w", encoding="utf-8") as stamp:
        stamp.writelines(stamp_line(each) + "\n" for each in ("run", "dev") if kind in (each, "dev"))
    say(f"Environment ready in {time.monotonic() - begun:.0f} s.")


def installers(find=importlib.util.find_spec, which=shutil.which):
    """Ways for packages to get in, best first: venv's own pip, the pip beside this Python, uv."""
    found = []
    if find("venv") and find("ensurepip"):
        found.append("venv")
    if find("venv") and find("pip") and pip_can_reach_out():
        found.append("venv, outside pip")
    if which("uv"):
        found.append("uv")
    return found


def pip_can_reach_out():
    """Whether the pip beside this Python has `--python`, which came with 22.3."""
    quiet = subprocess.DEVNULL
    command = [sys.executable, "-m", "pip", "--python", sys.executable, "--version"]
    return subprocess.call(command, stdout=quiet, stderr=quiet) == 0


def make_venv(ways):
    """Make it from nothing in the first way that works; a half-made or outdated one is not worth mending."""
    said = ""
    for way in ways:
        shutil.rmtree(VENV, ignore_errors=True)
        made = subprocess.run(venv_command(way), stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
        if made.returncode == 0:
            say(f"Made .venv ({way}).")
            return way
        said += made.stdout
    shutil.rmtree(VENV, ignore_errors=True)
    raise SetupError(
        f"{said}This Python cannot make an environment: it lacks ensurepip or pip, and uv is not on PATH.\n"
        f"Install what is missing, then run the same line again:\n  {package_hint('venv')}"
    )


def venv_command(way):
    base = getattr(sys, "_base_executable", None) or sys.executable
    return {
        "venv": [base, "-m", "venv", VENV],
        "venv, outside pip": [base, "-m", "venv", "--without-pip", VENV],
        "uv": ["uv", "venv", "--quiet", "--python", base, VENV],
    }[way]


def way_into(ways):
    """The way into an environment that stands already."""
    has_pip = os.path.isdir(os.path.join(site_packages(), "pip"))
    return "venv" if has_pip else next((way for way in ways if way != "venv"), "venv")


def install_commands(way, kind):
    """Two passes: the locked setuptools, then everything else. Hashes are always required."""
    front = {
        "venv": [PYTHON, "-m", "pip", "install", "--no-compile"],
        "venv, outside pip": [sys.executable, "-m", "pip", "--python", PYTHON, "install", "--no-compile"],
        "uv": ["uv", "pip", "install", "--python", PYTHON],
    }[way]
    wheels = ["--require-hashes", "--only-binary", ":all:"]
    local = ["--no-binary", BUILT_HERE, "--no-build-isolation"]
    yield front + wheels + ["-r", BUILD_LOCK], BUILD_LOCK
    yield front + wheels + local + ["-r", LOCKS[kind][-1]], LOCKS[kind][-1]


def follow(command, lock):
    """Run an installer, show how far it is, log all it said, and show the end of it if it fails."""
    total = count_pins(lock)
    say(f"Installing {total} locked package{'s' if total > 1 else ''} from {lock} ...")
    said = []
    output = {"stdout": subprocess.PIPE, "stderr": subprocess.STDOUT, "text": True}
    with subprocess.Popen(command, cwd=ROOT, env=dict(os.environ, **PIP_SETTINGS), **output) as running:
        for line in running.stdout:
            said.append(line)
            show_progress(said, total)
    show_progress([], 0)
    with open(LOG, "a", encoding="utf-8") as log:
        log.writelines(said)
    if running.returncode:
        raise SetupError("Installing failed:\n" + "".join(said[-15:]) + f"All of it is in {LOG}.")


def count_pins(lock):
    lines = read_text(os.path.join(ROOT, lock)).splitlines()
    return len({line.split("==")[0] for line in lines if "==" in line})


def show_progress(said, total):
    """One line that rewrites itself, on a terminal only."""
    if not sys.stdout.isatty():
        return
    started = sum(line.startswith("Collecting") for line in said)
    last = said[-1].split()[:2] if said else []
    text = f"  {started} of {total}  {' '.join(last)}" if said else ""
    sys.stdout.write("\r\033[K" + text[: shutil.get_terminal_size().columns - 1])
    sys.stdout.flush()


def compile_ahead():
    """Byte-compile on all cores (pip would use one), leaving out the packages' own tests."""
    command = [PYTHON, "-m", "compileall", "-qq", "-j", "0", "-x", r"/tests?/", site_packages()]
    subprocess.call(command, stderr=subprocess.DEVNULL)


def site_packages():
    found = glob.glob(os.path.join(VENV, "lib", "python3*", "site-packages"))
    return found[0] if found else VENV


def join_the_tree():
    """Put the checkout on the environment's path and a `bayledger` command beside its Python."""
    with open(os.path.join(site_packages(), "bayledger.pth"), "w", encoding="utf-8") as pth:
        pth.write(ROOT + "\n")
    with open(LAUNCHER, "w", encoding="utf-8") as script:
        script.write(launcher_text(PYTHON))
    os.chmod(LAUNCHER, 0o755)  # nosec B103 - a program, run by whoever set it up


def launcher_text(python):
    """A script that shell and Python both read: a first line with the path would break on spaces."""
    return (
        "#!/bin/sh\n"
        f'\'\'\'exec\' "{python}" "$0" "$@"\n'
        "' '''\n"
        "import sys\n\nfrom service.cli import main\n\nsys.exit(main())\n"
    )


def run(arguments):
    """start the ledger with the invented shop and serve it until Ctrl-C; --no-demo starts it empty"""
    ensure("run")
    rest = [each for each in arguments if each != "--no-demo"]
    word = "serve" if "--no-demo" in arguments else "demo"
    os.environ.setdefault("BAYLEDGER_DATA_DIR", DATA)
    os.execv(LAUNCHER, [LAUNCHER, word, *rest])


def test(arguments):
    """run the tests; --slow: pages gone through, long comparisons; --machine: those that need root or take minutes"""
    rest = [each for each in arguments if each not in ("--machine", "--slow")]
    whole = not names_a_path(rest)
    if "--machine" in arguments:
        marked = "machine"
    elif "--slow" in arguments:
        marked = "slow and not machine"
    else:
        marked = "not machine and not slow" if whole else "not machine"
    ensure("dev")
    if whole and in_venv(["-m", "tests.setup.browser"]):
        return 1
    spread = ["-n", str(processes(marked)), *SPREAD] if whole else []
    return become(["-m", "pytest", "-m", marked, *spread, *rest])


def processes(marked):
    """How many share a whole run."""
    return min((os.cpu_count() or 1) + (marked != "machine"), MOST_PROCESSES)


def names_a_path(arguments):
    """A person who names a file gets just that file; only a whole run insists on the browser."""
    paths = [os.path.join(ROOT, each.split("::")[0]) for each in arguments if each[:1] != "-"]
    return any(os.path.exists(path) for path in paths)


def check(arguments):
    """format, lint, types, import rules, built dashboard, SQL lint, locks and documents (no network)"""
    ensure("dev")
    return become(["-m", "tests.setup.check", *arguments])


def bench(arguments):
    """measure what DEVELOPERS.md promises, as ratios on this machine, each beside its target"""
    ensure("dev")
    return become(["-m", "tests.bench", *arguments])


def references(arguments):
    """print our figures beside published ones, and how the checks at the door do in simulation"""
    ensure("dev")
    return become(["-m", "tests.references", *arguments])


def calibration(arguments):
    """try the history model on simulated shops of known truth, and print figures beside targets"""
    ensure("dev")
    return become(["-m", "tests.calibration", *arguments])


def fuzz(arguments):
    """send the ledger and the bay's file reader what nobody would, for a minute or --seconds N, and print what broke"""
    ensure("dev")
    return become(["-m", "tests.fuzz", *arguments])


def soak(arguments):
    """eight bays post and eight readers ask for twenty minutes (--minutes N); fails on any error or loss"""
    ensure("dev")
    return become(["-m", "tests.soak", *arguments])


def build(arguments):
    """build dashboard/site again after a change to a chart or page"""
    ensure("dev")
    return become(["-m", "dashboard.build", *arguments])


def lock(arguments):
    """write the lock files again from pyproject.toml (needs uv; --upgrade for newer releases)"""
    if not shutil.which("uv"):
        raise SetupError("Only this word needs uv, and it is not on PATH. For example: pipx install uv")
    ensure("run")
    return become(["-m", "tests.setup.locks", "--write", *arguments])


def clean(_arguments):
    """remove the environment and caches; never the ledger's data"""
    names = (".venv", ".mypy_cache", ".ruff_cache", ".hypothesis", "**/__pycache__")
    for folder in (found for name in names for found in glob.glob(os.path.join(ROOT, name), recursive=True)):
        shutil.rmtree(folder, ignore_errors=True)
    say("Removed the environment and caches. The ledger's data in .bayledger was left alone.")


def show_help(_arguments):
    """this page"""
    say("Bayledger. Type: python3 bootstrap.py WORD\n")
    for word, action in WORDS.items():
        say(f"  {word:<12}{(action.__doc__ or '').strip()}")
    say(EXAMPLES)


EXAMPLES = """
First time here:
  python3 bootstrap.py run                  sets up, loads the invented shop, prints the address (--port N)
  python3 bootstrap.py run --no-demo --data-dir /srv/ledger    a real, empty ledger
  .venv/bin/bayledger --help                everything else the ledger can do
After a change:
  python3 bootstrap.py check && python3 bootstrap.py test
  python3 bootstrap.py test tests/domain -k moist     one folder, tests whose name matches
  python3 bootstrap.py test --slow          each page gone through in a browser, long comparisons
  sudo python3 bootstrap.py test --machine  the tests that need root
DEVELOPERS.md says where things are and how to add one."""

WORDS = {
    action.__name__: action
    for action in (run, test, check, bench, references, calibration, fuzz, soak, build, lock, clean)
}
WORDS["help"] = show_help


def in_venv(arguments):
    return subprocess.call([PYTHON, *arguments], cwd=ROOT)


def become(arguments):
    """Go on as that command, so that a signal meant for us reaches it."""
    os.chdir(ROOT)
    os.execv(PYTHON, [PYTHON, *arguments])


def read_text(path):
    with contextlib.suppress(OSError), open(path, encoding="utf-8") as file:
        return file.read()
    return ""


def say(text):
    print(text, flush=True)


def main(arguments):
    word, rest = (arguments[0], arguments[1:]) if arguments else ("help", [])
    action = WORDS.get({"-h": "help", "--help": "help"}.get(word, word))
    if action is None:
        say(f"There is no word `{word}`. The words are: {', '.join(WORDS)}.")
        return 2
    try:
        if os.name != "posix":
            raise SetupError("This system is not supported here: use WSL, or `docker compose up`.")
        require_python()
        return action(rest) or 0
    except SetupError as error:
        print(f"bootstrap: {error}", file=sys.stderr, flush=True)
        return 1
    except KeyboardInterrupt:
        say("\nStopped. Run the same line again; what was left half-made will be made anew.")
        return 130


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
