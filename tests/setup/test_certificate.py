"""The certificate that an installation makes for itself, by OpenSSL's own programs."""

import os
import socket
import ssl
import subprocess
import threading
from pathlib import Path

import pytest

from tests.setup.check import ROOT

SCRIPT = ROOT / "service" / "proxy" / "certificate.sh"
NAME, ADDRESS = "ledger.example", "192.0.2.20"


def made(folder: Path, *names: str) -> str:
    """Run the script; what it said."""
    ran = subprocess.run(["sh", SCRIPT, folder, *names], capture_output=True, text=True, check=False)
    assert ran.returncode == 0, ran.stderr
    return ran.stdout


def openssl(folder: Path, *words: str) -> str:
    return subprocess.run(["openssl", *words], cwd=folder, capture_output=True, text=True, check=True).stdout


def files(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def believed(folder: Path, name: str, authority: Path | None = None) -> bool:
    """Whether Python believes who shows this certificate, asked for by a name and trusting one authority."""
    shown = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    shown.load_cert_chain(folder / "certificate.pem", folder / "key.pem")
    asked = ssl.create_default_context(cafile=authority or folder / "authority.pem")
    here, there = socket.socketpair()

    def show() -> None:
        try:
            shown.wrap_socket(there, server_side=True).close()
        except OSError:
            there.close()

    shower = threading.Thread(target=show)
    shower.start()
    try:
        asked.wrap_socket(here, server_hostname=name).close()
        return True
    except ssl.SSLCertVerificationError:
        return False
    finally:
        here.close()
        shower.join()


def signed_for(folder: Path, name: str) -> Path:
    """What somebody who stole the authority's key makes for a name."""
    stolen = folder / "stolen"
    stolen.mkdir()
    openssl(folder, "req", "-new", "-nodes", "-newkey", "rsa:2048", "-subj", f"/CN={name}",
            "-keyout", "stolen/key.pem", "-out", "stolen/request.pem")  # fmt: skip
    (stolen / "more").write_text(f"subjectAltName=DNS:{name}\n")
    openssl(folder, "x509", "-req", "-in", "stolen/request.pem", "-CA", "authority.pem", "-CAkey", "authority-key.pem",
            "-set_serial", "7", "-days", "30", "-extfile", "stolen/more", "-out", "stolen/certificate.pem")  # fmt: skip
    return stolen


def test_it_is_believed_by_whoever_trusts_its_authority_under_each_name_given(tmp_path: Path) -> None:
    said = made(tmp_path, NAME, ADDRESS)
    assert "must trust" in said
    for name in (NAME, ADDRESS, "127.0.0.1", "localhost"):
        assert believed(tmp_path, name), name
    for name in ("other.example", "192.0.2.21"):
        assert not believed(tmp_path, name), name


def test_nobody_else_can_read_its_keys(tmp_path: Path) -> None:
    made(tmp_path, NAME)
    for key in ("key.pem", "authority-key.pem"):
        assert (tmp_path / key).stat().st_mode & 0o077 == 0


def test_its_authority_cannot_vouch_for_any_other_name(tmp_path: Path) -> None:
    made(tmp_path, NAME)
    ours = signed_for(tmp_path, NAME)
    assert believed(ours, NAME, tmp_path / "authority.pem"), "the theft itself must succeed"
    ours.rename(tmp_path / "first")
    assert not believed(signed_for(tmp_path, "bank.example"), "bank.example", tmp_path / "authority.pem")


def test_made_again_nothing_changes(tmp_path: Path) -> None:
    made(tmp_path, NAME, ADDRESS)
    before = files(tmp_path)
    assert made(tmp_path, NAME, ADDRESS) == made(tmp_path, ADDRESS, NAME) == ""
    assert files(tmp_path) == before


def test_near_its_end_it_is_renewed_under_the_same_authority(tmp_path: Path) -> None:
    made(tmp_path, NAME)
    authority = (tmp_path / "authority.pem").read_bytes()
    soon = signed_for(tmp_path, NAME)  # 30 days
    for name in ("certificate.pem", "key.pem"):
        (soon / name).rename(tmp_path / name)
    ends_soon = (tmp_path / "certificate.pem").read_bytes()
    assert made(tmp_path, NAME) == f"made a certificate for {NAME}\n"
    assert (tmp_path / "certificate.pem").read_bytes() != ends_soon
    assert (tmp_path / "authority.pem").read_bytes() == authority
    assert believed(tmp_path, NAME)


def test_other_names_make_another_authority(tmp_path: Path) -> None:
    made(tmp_path, NAME)
    before = files(tmp_path)
    assert "must trust" in made(tmp_path, NAME, "second.example")
    assert files(tmp_path)["authority.pem"] != before["authority.pem"]
    assert believed(tmp_path, "second.example")


@pytest.mark.parametrize("moved", [0, 1, 2])
def test_cut_off_while_another_authority_takes_its_place_the_next_run_finishes_it(
    tmp_path: Path, moved: int
) -> None:
    folder, programs = tmp_path / "tls", tmp_path / "bin"
    folder.mkdir()
    programs.mkdir()
    made(folder, "old.example")
    files_moved = " ".join(f'"${{{n}}}"' for n in range(1, moved + 1))
    (programs / "mv").write_text(f"#!/bin/sh\n{f'/bin/mv {files_moved} .' if moved else ''}\nexit 1\n")
    (programs / "mv").chmod(0o755)
    path = f"{programs}:{os.environ['PATH']}"
    assert subprocess.run(["sh", SCRIPT, folder, NAME], env={"PATH": path}, check=False).returncode == 1
    made(folder, NAME)
    assert believed(folder, NAME)


def test_the_shops_own_is_left_alone_also_where_one_was_made_before(tmp_path: Path) -> None:
    made(tmp_path, "before.example")
    openssl(tmp_path, "req", "-x509", "-nodes", "-newkey", "rsa:2048", "-subj", f"/CN={NAME}", "-days", "20",
            "-addext", f"subjectAltName=DNS:{NAME}", "-keyout", "key.pem", "-out", "certificate.pem")  # fmt: skip
    own = files(tmp_path)
    ran = subprocess.run(["sh", SCRIPT, tmp_path, NAME], capture_output=True, text=True, check=True)
    assert files(tmp_path) == own
    assert "ends within 30 days" in ran.stderr


@pytest.mark.parametrize("name", ["", "a name", "fe80::1", "x,DNS:bank.example", "x\nkey"])
def test_what_is_no_name_is_refused_and_nothing_is_made(tmp_path: Path, name: str) -> None:
    ran = subprocess.run(["sh", SCRIPT, tmp_path, name], capture_output=True, text=True, check=False)
    assert ran.returncode == 2
    assert "neither a host name nor an IPv4 address" in ran.stderr
    assert files(tmp_path) == {}
