"""The dashboard's files and the readable API document, served from a build."""

import re

import pytest

import service.app


@pytest.fixture
def site(tmp_path, monkeypatch):
    """A build with a front page, a sheet, the docs page, and a secret beside it."""
    folder = tmp_path / "site"
    (folder / "vendor" / "docs").mkdir(parents=True)
    (folder / "index.html").write_text("<h1>front</h1>")
    (folder / "style.css").write_text("body {}")
    (folder / "vendor" / "docs" / "docs.html").write_text("<h1>docs</h1>")
    (tmp_path / "secret.txt").write_text("secret")
    monkeypatch.setattr(service.app, "SITE", folder)
    return folder


def test_the_front_page_needs_no_token(site, nobody):
    response = nobody.get("/")
    assert (response.status_code, response.text) == (200, "<h1>front</h1>")
    assert response.content_type.startswith("text/html")


def test_the_readable_document_stands_at_v1_docs(site, nobody):
    assert nobody.get("/v1/docs").text == "<h1>docs</h1>"


def test_a_file_is_served_with_its_type_and_asked_about_again(site, nobody):
    response = nobody.get("/style.css")
    assert response.content_type.startswith("text/css")
    assert response.headers["Cache-Control"] == "no-cache"
    assert nobody.get("/style.css", If_None_Match=response.headers["ETag"]).status_code == 304


def test_a_new_build_shows_at_once(site, nobody):
    etag = nobody.get("/style.css").headers["ETag"]
    (site / "style.css").write_text("body { margin: 0 }")
    assert nobody.get("/style.css", If_None_Match=etag).text == "body { margin: 0 }"


@pytest.mark.parametrize(
    "path", ["/../secret.txt", "/%2e%2e/secret.txt", "/vendor/../../secret.txt", "/..%2fsecret.txt",
             "/vendor", "/vendor/", "/nothing.html", "/style.css%00.html"],
)  # fmt: skip
def test_what_is_not_a_file_of_the_build_is_404(site, nobody, path):
    response = nobody.get(path)
    assert response.status_code == 404
    assert response.content_type == "application/problem+json"
    assert "secret" not in response.text.replace("secret.txt", "")


@pytest.mark.parametrize("path", ["/nosuch.html", "/deep/down/nosuch.html", "/vendor/"])
def test_a_browser_gets_a_page_of_ours_where_there_is_none(nobody, path):
    response = nobody.raw("GET", path, headers={"Accept": "text/html,application/xhtml+xml,*/*;q=0.8"})
    assert (response.status_code, response.mimetype) == (404, "text/html")
    assert "No such page" in response.text
    links = re.findall(r'href="([^"]*)"', response.text)
    assert "/index.html" in links
    assert [link for link in links if not link.startswith(("/", "#", "data:"))] == [], "shown at any depth"
    assert response.headers["Content-Security-Policy"]


@pytest.mark.parametrize("accept", ["*/*", "application/json", "text/html;q=0"])
def test_a_program_gets_a_problem_where_there_is_no_page(nobody, accept):
    response = nobody.raw("GET", "/nosuch.html", headers={"Accept": accept})
    assert (response.status_code, response.content_type) == (404, "application/problem+json")


def test_under_v1_a_browser_gets_a_problem_too(nobody):
    response = nobody.raw("GET", "/v1/nosuch", headers={"Accept": "text/html"})
    assert (response.status_code, response.content_type) == (404, "application/problem+json")


def test_without_a_build_the_pages_are_404_and_the_api_works(tmp_path, monkeypatch, nobody):
    monkeypatch.setattr(service.app, "SITE", tmp_path / "none")
    for path in ("/", "/v1/docs", "/style.css"):
        response = nobody.get(path)
        assert response.status_code == 404
        assert response.content_type == "application/problem+json"
    assert nobody.get("/v1/health").status_code == 200


def test_a_page_runs_nothing_from_elsewhere_and_nothing_inline(site, nobody):
    policy = nobody.get("/").headers["Content-Security-Policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy


def test_a_page_can_only_be_read(site, nobody):
    assert nobody.raw("POST", "/style.css").status_code == 405
