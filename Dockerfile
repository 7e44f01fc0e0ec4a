# syntax=docker/dockerfile:1
# The ledger's service as an image: packages by hash, no compiler and no root in what runs.

FROM python:3.13-slim AS packages
WORKDIR /srv/bayledger
COPY requirements-build.lock requirements.lock ./
# Two passes, as bootstrap.py does: psychrolib is published as source only and is built by the locked setuptools.
RUN --mount=type=cache,target=/root/.cache/pip \
    python -m venv .venv \
 && .venv/bin/pip install --require-hashes --only-binary :all: -r requirements-build.lock \
 && .venv/bin/pip install --require-hashes --only-binary :all: --no-binary psychrolib --no-build-isolation \
        -r requirements.lock \
 && .venv/bin/pip uninstall --yes setuptools pip

FROM python:3.13-slim
RUN useradd --uid 10001 --user-group --no-create-home --shell /usr/sbin/nologin bayledger \
 && install -d -o bayledger -g bayledger /var/lib/bayledger
WORKDIR /srv/bayledger
COPY --from=packages /srv/bayledger/.venv .venv
COPY pyproject.toml LICENSE ./
COPY migrations migrations
COPY dashboard dashboard
COPY seed seed
COPY service service
ENV PATH=/srv/bayledger/.venv/bin:$PATH \
    PYTHONPATH=/srv/bayledger \
    PYTHONUNBUFFERED=1 \
    BAYLEDGER_HOST=0.0.0.0 \
    BAYLEDGER_PORT=8321 \
    BAYLEDGER_DATA_DIR=/var/lib/bayledger
# Compiled as root: what runs cannot write beside the code.
RUN python -m compileall -q service migrations seed \
 && printf '#!/bin/sh\nexec python -m service "$@"\n' > .venv/bin/bayledger \
 && chmod 755 .venv/bin/bayledger
USER 10001
EXPOSE 8321
VOLUME /var/lib/bayledger
HEALTHCHECK --interval=10s --timeout=4s --start-period=20s --retries=3 \
    CMD ["python", "-c", "import urllib.request; urllib.request.urlopen('http://127.0.0.1:8321/v1/ready', timeout=3)"]
CMD ["bayledger", "serve"]
