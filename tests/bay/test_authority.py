"""A bay that reaches the ledger by TLS believes one authority: the one whose file it was given, or the computer's own; a command
that asks the ledger, whom SSL_CERT_FILE names."""

import ssl
import subprocess
import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path

import httpx
import pytest

from service.bay.sender import Address
from service.bay.settings import BayNotSet, BaySettings, read_settings
from service.bay.wire import in_words
from service.cli.bay.status import say_ledger
from service.cli.client import open_client
from service.cli.errors import CouldNotError
from service.settings import Settings
from tests.setup.check import ROOT

CERTIFICATE = ROOT / "service" / "proxy" / "certificate.sh"


def made(folder: Path) -> Path:
    """An installation's certificate with its authority."""
    folder.mkdir()
    subprocess.run(["sh", CERTIFICATE, folder, "ledger.example"], check=True, capture_output=True)
    return folder


@pytest.fixture
def shown(tmp_path: Path) -> Path:
    return made(tmp_path / "shown")


@pytest.fixture
def url(shown: Path) -> Iterator[str]:
    """Something that answers by TLS."""

    class Well(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            self.send_response(204)
            self.end_headers()

        def log_message(self, *_: object) -> None:
            pass

    with HTTPServer(("127.0.0.1", 0), Well) as server:
        context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
        context.load_cert_chain(shown / "certificate.pem", shown / "key.pem")
        server.socket = context.wrap_socket(server.socket, server_side=True)
        serving = threading.Thread(target=server.serve_forever, args=(0.01,))
        serving.start()
        yield f"https://127.0.0.1:{server.server_port}"
        server.shutdown()
        serving.join()


def test_it_believes_who_its_authority_vouches_for(url: str, shown: Path) -> None:
    with Address(url, "t", shown / "authority.pem").client(10) as client:
        assert client.get("/").status_code == 204


def test_it_believes_nobody_else(url: str, tmp_path: Path) -> None:
    other = made(tmp_path / "other")
    for authority in (other / "authority.pem", None):
        with (
            Address(url, "t", authority).client(10) as client,
            pytest.raises(httpx.ConnectError, match="certificate"),
        ):
            client.get("/")


def settings_in(folder: Path, more: str, url: str = "https://ledger.example") -> BaySettings:
    (folder / "bay.toml").write_text(f'url = "{url}"\nbay = "north"\nunits = "si"\n{more}\n')
    return read_settings({"bay_dir": folder}, {})


def test_status_names_the_setting_where_nobody_vouches_for_the_ledger(
    url: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert not say_ledger(settings_in(tmp_path, "", url))
    assert capsys.readouterr().out == (
        f"No ledger answers at {url} (its certificate is not believed: unable to get local issuer certificate; "
        "copy the ledger's authority.pem to this computer and name it as `authority` in bay.toml). "
        "Sessions wait here.\n"
    )


def test_a_wrong_authority_is_not_believed_either_and_the_way_out_is_the_same(
    url: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert not say_ledger(settings_in(made(tmp_path / "other"), 'authority = "authority.pem"', url))
    assert "name it as `authority` in bay.toml" in capsys.readouterr().out


def test_another_name_than_the_certificates_is_no_matter_of_the_authority(url: str, shown: Path) -> None:
    with (
        Address(url, "t", shown / "authority.pem").client(10) as client,
        pytest.raises(httpx.ConnectError) as refused,
    ):
        client.get("/", extensions={"sni_hostname": "another.example"})
    assert "not valid for 'another.example'" in in_words(refused.value)
    assert "authority" not in in_words(refused.value)


def test_its_file_is_named_from_the_bays_folder(shown: Path) -> None:
    assert settings_in(shown, 'authority = "authority.pem"').authority == shown / "authority.pem"
    assert settings_in(shown, "").authority is None


@pytest.mark.parametrize("file", ["gone.pem", "names"])
def test_a_file_that_is_missing_or_no_certificate_is_named_with_the_way_out(shown: Path, file: str) -> None:
    with pytest.raises(
        BayNotSet, match=rf"{file}: the authority cannot be read .*copy the ledger's authority.pem"
    ):
        settings_in(shown, f'authority = "{file}"')


def test_a_command_that_asks_names_the_way_out_and_takes_it(
    url: str, shown: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Asked by an address of this very machine: no proxy of the environment counts there, but SSL_CERT_FILE does."""
    monkeypatch.delenv("SSL_CERT_FILE", raising=False)
    with pytest.raises(CouldNotError) as refused, open_client(Settings(url=url)) as client:
        client.get("/")
    assert str(refused.value) == (
        f"the certificate of {url} is not believed: unable to get local issuer certificate. Copy the ledger's authority.pem "
        "to this computer and name it: SSL_CERT_FILE=authority.pem."
    )
    monkeypatch.setenv("SSL_CERT_FILE", str(shown / "authority.pem"))
    monkeypatch.setenv("HTTPS_PROXY", "http://127.0.0.1:9")
    with open_client(Settings(url=url)) as client:
        assert client.get("/").status_code == 204
