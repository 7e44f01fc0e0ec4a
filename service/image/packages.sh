#!/bin/sh
# The locked packages into .venv of the folder this is run in, as the image has them: packages.sh [PYTHON]
# Two passes, as bootstrap.py does: psychrolib is published as source only and is built by the locked setuptools.
set -eu
"${1:-python}" -m venv .venv
.venv/bin/pip install --disable-pip-version-check --require-hashes --only-binary :all: -r requirements-build.lock
.venv/bin/pip install --disable-pip-version-check --require-hashes --only-binary :all: --no-binary psychrolib \
    --no-build-isolation -r requirements.lock
.venv/bin/pip uninstall --yes setuptools pip
