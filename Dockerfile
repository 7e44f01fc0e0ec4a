# syntax=docker/dockerfile:1
# Two images of one file: the ledger's service (packages by hash, no compiler and no root in what runs), and nginx with the
# dashboard. What is more than a line is a script that the tests run too.

FROM python:3.13-slim-trixie AS packages
WORKDIR /srv/bayledger
COPY requirements-build.lock requirements.lock ./
COPY service/image/packages.sh service/image/packages.sh
RUN --mount=type=cache,target=/root/.cache/pip sh service/image/packages.sh

FROM debian:trixie-slim AS dashboard
RUN apt-get update \
 && apt-get install --yes --no-install-recommends curl nginx openssl \
 && rm -rf /var/lib/apt/lists/* \
 && useradd --uid 10002 --user-group --no-create-home --shell /usr/sbin/nologin dashboard \
 && install -d -o dashboard -g dashboard -m 700 /etc/bayledger/tls
COPY service/proxy /srv/bayledger/service/proxy
COPY dashboard/site /srv/bayledger/dashboard/site
USER 10002
EXPOSE 8080 8443
VOLUME /etc/bayledger/tls
HEALTHCHECK --interval=10s --timeout=4s --start-period=20s --retries=3 \
    CMD ["curl", "--silent", "--fail", "--insecure", "--output", "/dev/null", "https://127.0.0.1:8443/"]
CMD ["sh", "/srv/bayledger/service/proxy/start.sh"]

FROM python:3.13-slim-trixie AS service
RUN useradd --uid 10001 --user-group --no-create-home --shell /usr/sbin/nologin bayledger \
 && install -d -o bayledger -g bayledger /var/lib/bayledger
WORKDIR /srv/bayledger
COPY --from=packages /srv/bayledger/.venv .venv
COPY pyproject.toml LICENSE ./
COPY migrations migrations
COPY dashboard dashboard
COPY seed seed
COPY service service
RUN sh service/image/code.sh
ENV PATH=/srv/bayledger/.venv/bin:$PATH \
    PYTHONUNBUFFERED=1 \
    BAYLEDGER_HOST=0.0.0.0 \
    BAYLEDGER_PORT=8321 \
    BAYLEDGER_DATA_DIR=/var/lib/bayledger
USER 10001
EXPOSE 8321
VOLUME /var/lib/bayledger
HEALTHCHECK --interval=10s --timeout=4s --start-period=20s --retries=3 \
    CMD ["python", "-c", "import urllib.request; urllib.request.urlopen('http://127.0.0.1:8321/v1/ready', timeout=3)"]
CMD ["bayledger", "serve"]
