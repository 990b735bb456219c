"""The REST service: shapes, errors, entity tags, access."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import httpx
import jsonschema
import pytest

from api.access import Access
from holeinspect.records.bench import Bench
from tests.bench_stubs import client_of, jpeg, measured, stub_bench, wait_for

KEY = "a-key-for-tests"
HM_101 = {"number": "HM-101", "name": "Gusset", "thickness": '1/8"', "quantity": 2, "drawing": "HM-D1", "revision": "B"}


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    with stub_bench(tmp_path_factory.mktemp("service")) as bench:
        yield bench


@pytest.fixture(scope="module")
def client(bench: Bench) -> Iterator[httpx.Client]:
    with client_of(bench, Access()) as client:
        assert client.post("/api/v1/parts", json=HM_101).status_code == 201
        yield client


@pytest.fixture(scope="module")
def lan(bench: Bench, client: httpx.Client) -> Iterator[httpx.Client]:
    with client_of(bench, Access(KEY)) as lan:
        yield lan


def upload(client: httpx.Client, name: str, number: int, **fields: str) -> dict[str, object]:
    answer = client.post("/api/v1/photos", files={"file": (f"{name}.jpg", jpeg(number))}, data=fields)
    assert answer.status_code in (200, 201), answer.text
    return answer.json()  # type: ignore[no-any-return]


# --- the kit list ---


def test_a_part_is_shown_with_its_pieces_and_its_thickness_in_mm(client: httpx.Client) -> None:
    part = client.get("/api/v1/parts/HM-101").json()
    assert part["thickness_mm"] == pytest.approx(3.175, rel=0, abs=1e-9)
    assert [piece["serial"] for piece in part["pieces"]] == [1, 2]
    assert part["drawing_note"] == "Check that HM-D1, revision B is the drawing for your version of the part."


def test_a_part_number_is_taken_once(client: httpx.Client) -> None:
    answer = client.post("/api/v1/parts", json=HM_101)
    assert (answer.status_code, answer.headers["content-type"]) == (409, "application/problem+json")
    assert answer.json()["detail"] == "There is a part 'HM-101' already. Change that one, or give another number."


@pytest.mark.parametrize(
    ("field", "value", "sentence"),
    [
        ("thickness", "3 furlongs", "is no length"),
        ("thickness", "0mm", "Give one above zero"),
        ("fastener", "a nail", "is no fastener in the tables"),
        ("quantity", 0, "greater than or equal to 1"),
        ("edge_rule", -1, "greater than 0"),
        ("number", "HM/1", "match pattern"),
        ("colour", "red", "Extra inputs are not permitted"),
        ("hole_rules", {"hole three": 2}, "match pattern"),
        ("name", "bell\u0007", "control character"),
    ],
)
def test_a_field_that_cannot_be_read_is_named(client: httpx.Client, field: str, value: object, sentence: str) -> None:
    answer = client.post("/api/v1/parts", json=HM_101 | {"number": "HM-900", field: value})
    problem = answer.json()
    assert (answer.status_code, problem["status"], problem["type"]) == (422, 422, "urn:holeinspect:invalid-request")
    assert [sentence in entry["what"] and field in entry["where"] for entry in problem["errors"]] == [True]


def test_settings_that_contradict_each_other_are_refused(client: httpx.Client) -> None:
    answer = client.post("/api/v1/parts", json=HM_101 | {"number": "HM-901", "face_height": "1mm"})
    assert answer.status_code == 422
    assert "The face cannot lie 1mm above the mat" in answer.json()["detail"]
    assert client.get("/api/v1/parts/HM-901").status_code == 404


def test_a_part_that_was_changed_meanwhile_is_not_overwritten(client: httpx.Client) -> None:
    client.post("/api/v1/parts", json=HM_101 | {"number": "HM-102"})
    seen = client.get("/api/v1/parts/HM-102").headers["etag"]
    assert client.get("/api/v1/parts/HM-102", headers={"If-None-Match": seen}).status_code == 304
    first = client.patch("/api/v1/parts/HM-102", json={"name": "Lug"}, headers={"If-Match": seen})
    second = client.patch("/api/v1/parts/HM-102", json={"name": "Tab"}, headers={"If-Match": seen})
    assert (first.status_code, second.status_code) == (200, 412)
    assert client.get("/api/v1/parts/HM-102").json()["name"] == "Lug"


def test_a_part_with_photos_is_never_removed(client: httpx.Client, bench: Bench) -> None:
    part = client.post("/api/v1/parts", json=HM_101 | {"number": "HM-103"}).json()
    measured(bench, "good of 103", part["pieces"][1]["id"], "A")
    assert client.delete("/api/v1/parts/HM-103").status_code == 409
    fewer = client.patch("/api/v1/parts/HM-103", json={"quantity": 1})
    assert fewer.status_code == 409
    assert "Piece 2 of HM-103 has photos" in fewer.json()["detail"]
    client.post("/api/v1/parts", json=HM_101 | {"number": "HM-104"})
    assert client.delete("/api/v1/parts/HM-104").status_code == 204


def test_lists_come_in_pages(client: httpx.Client) -> None:
    whole = client.get("/api/v1/pieces?per_page=200").json()
    parts = [client.get(f"/api/v1/pieces?per_page=3&page={page}").json()["items"] for page in range(1, whole["total"] // 3 + 2)]
    assert [piece["id"] for part in parts for piece in part] == [piece["id"] for piece in whole["items"]]
    assert client.get("/api/v1/pieces?page=99").json()["items"] == []


# --- photos ---


def test_an_upload_is_answered_where_it_is_found(client: httpx.Client, bench: Bench) -> None:
    answer = client.post("/api/v1/photos", files={"file": ("good.jpg", jpeg(1))}, data={"piece": "1", "side": "A"})
    assert (answer.status_code, answer.json()["state"]) == (201, "queued")
    photo = client.get(answer.headers["location"]).json()
    assert (photo["piece"], photo["side"], photo["number"]) == (1, "A", "HM-101")
    again = client.post("/api/v1/photos", files={"file": ("good.jpg", jpeg(1))}, data={"piece": "1", "side": "A"})
    assert (again.status_code, again.json()["id"]) == (200, photo["id"])
    wait_for(bench, photo["id"])


def test_progress_is_told_step_by_step(client: httpx.Client) -> None:
    photo = upload(client, "good slow, followed", 2, piece="1", side="A")
    steps = []
    with client.stream("GET", f"/api/v1/photos/{photo['id']}/events") as events:
        assert events.headers["content-type"].startswith("text/event-stream")
        for line in events.iter_lines():
            if line.startswith("data:"):
                steps.append(json.loads(line.removeprefix("data:")))
    assert steps[-1]["step"] == "done"
    assert (steps[-1]["state"], steps[-1]["verdict"]) == ("measured", "good")
    assert {"queued", "photo opened", "measuring", "done"} >= {step["step"] for step in steps}


def test_the_progress_of_a_measured_photo_ends_at_once(client: httpx.Client, bench: Bench) -> None:
    photo = measured(bench, "good and done", 2, "A")
    events = client.get(f"/api/v1/photos/{photo.id}/events").text
    assert events.count("event: step") == 1
    assert '"step":"done"' in events


def test_a_result_is_sent_once(client: httpx.Client, bench: Bench) -> None:
    photo = measured(bench, "good with a tag", 2, "B")
    answer = client.get(f"/api/v1/photos/{photo.id}/inspection")
    assert answer.json()["parts"][0]["verdict"] == "good"
    again = client.get(f"/api/v1/photos/{photo.id}/inspection", headers={"If-None-Match": answer.headers["etag"]})
    assert (again.status_code, again.content) == (304, b"")


def test_a_picture_is_upright_jpeg_without_data_about_it(client: httpx.Client, bench: Bench) -> None:
    photo = measured(bench, "good with a picture", 1, "B")
    answer = client.get(f"/api/v1/photos/{photo.id}/image")
    assert (answer.status_code, answer.headers["content-type"]) == (200, "image/jpeg")
    assert answer.content.startswith(b"\xff\xd8")
    assert b"Exif" not in answer.content
    known = {"If-None-Match": answer.headers["etag"]}
    assert client.get(f"/api/v1/photos/{photo.id}/image", headers=known).status_code == 304


def test_a_file_over_the_limit_is_refused_before_it_is_read(tmp_path: Path) -> None:
    with stub_bench(tmp_path, limit_bytes=2000) as bench, client_of(bench, Access()) as client:
        answer = client.post("/api/v1/photos", files={"file": ("big.jpg", jpeg() + bytes(200_000))})
        assert (answer.status_code, answer.headers["content-type"]) == (413, "application/problem+json")


def test_a_full_queue_answers_503_and_when_to_retry(tmp_path: Path) -> None:
    with stub_bench(tmp_path, capacity=1) as bench, client_of(bench, Access()) as client:
        client.post("/api/v1/parts", json=HM_101)
        first = upload(client, "good slow", 1, piece="1")
        answer = client.post("/api/v1/photos", files={"file": ("b.jpg", jpeg(2))})
        assert (answer.status_code, answer.json()["type"]) == (503, "urn:holeinspect:queue-full")
        assert int(answer.headers["retry-after"]) > 0
        wait_for(bench, int(str(first["id"])))


# --- corrections ---


def test_a_reading_decides_and_the_measured_figure_stays(client: httpx.Client, bench: Bench) -> None:
    photo = measured(bench, "by hand, read", 1, "A")
    before = client.get(f"/api/v1/photos/{photo.id}/inspection").content
    reading = {"kind": "reading", "who": "Kim", "subject": "H3", "figure": "edge distance", "value": "12mm"}
    added = client.post(f"/api/v1/photos/{photo.id}/corrections", json=reading)
    assert added.status_code == 201, added.text
    shown = client.get(f"/api/v1/photos/{photo.id}").json()
    assert (shown["standing"]["verdict"], shown["standing"]["measured_verdict"]) == ("good", "measure by hand")
    assert client.get(f"/api/v1/photos/{photo.id}/inspection").content == before
    taken_back = {"kind": "withdrawal", "who": "Kim", "withdraws": added.json()["id"]}
    assert client.post(f"/api/v1/photos/{photo.id}/corrections", json=taken_back).status_code == 201
    assert client.get(f"/api/v1/photos/{photo.id}").json()["standing"]["verdict"] == "measure by hand"
    kept = client.get(f"/api/v1/photos/{photo.id}/corrections").json()
    assert [(entry["kind"], entry["who"], entry["withdrawn"]) for entry in kept] == [
        ("reading", "Kim", True),
        ("withdrawal", "Kim", False),
    ]


@pytest.mark.parametrize(
    ("said", "status", "sentence"),
    [
        ({"kind": "struck", "subject": "H9", "reason": "ink"}, 422, "There is no hole H9 in photo"),
        ({"kind": "struck", "subject": "H1"}, 422, "needs reason"),
        ({"kind": "override", "verdict": "good", "reason": "so", "figure": "pitch"}, 422, "takes no figure"),
        ({"kind": "reading", "subject": "H1", "figure": "pitch", "value": "long"}, 422, "is no length"),
        ({"kind": "felt", "subject": "E9", "verdict": "good"}, 422, "There is no hole or edge E9 in photo"),
        ({"kind": "felt", "verdict": "measure by hand"}, 422, "catches (rework) or does not"),
        ({"kind": "withdrawal", "withdraws": 999}, 404, "has no correction 999"),
    ],
)
def test_a_correction_that_makes_no_sense_is_refused(
    client: httpx.Client, bench: Bench, said: dict[str, object], status: int, sentence: str
) -> None:
    photo = measured(bench, "good, to be corrected", 2, "B")
    answer = client.post(f"/api/v1/photos/{photo.id}/corrections", json={"who": "Kim", **said})
    assert answer.status_code == status
    assert sentence in answer.json()["detail"]


# --- errors and access ---


@pytest.mark.parametrize(
    ("path", "status"),
    [
        ("/api/v1/parts/none", 404), ("/api/v1/pieces/4000", 404), ("/api/v1/photos/4000", 404), ("/api/v1/nothing", 404),
        ("/api/v1/photos/4000/events", 404), ("/api/v1/photos/4000/image", 404), ("/api/v1/photos/4000/inspection", 404),
        ("/api/v1/photos/x", 422), ("/api/v1/pieces?state=lost", 422), ("/api/v1/labels.pdf?pieces=4000", 404),
    ],
)  # fmt: skip
def test_every_error_is_a_problem_that_says_what_and_why(client: httpx.Client, path: str, status: int) -> None:
    answer = client.get(path)
    assert (answer.status_code, answer.headers["content-type"]) == (status, "application/problem+json")
    problem = answer.json()
    assert problem["status"] == status
    assert problem["title"]
    assert problem["detail"]


READABLE = (
    "/api/v1/parts", "/api/v1/board", "/api/v1/pieces/1", "/api/v1/photos/1/image", "/api/v1/openapi.json",
    "/api/v1/health", "/api/v1/labels.pdf", "/", "/kit", "/static/nothing.css",
)  # fmt: skip


@pytest.mark.parametrize("path", READABLE)
def test_without_the_key_nothing_is_read(lan: httpx.Client, path: str) -> None:
    for headers in ({}, {"Authorization": "Bearer wrong"}, {"Cookie": "holeinspect_key=wrong"}, {"Authorization": KEY}):
        answer = lan.get(path, headers=headers)
        assert (answer.status_code, answer.headers["www-authenticate"]) == (401, "Bearer")
        assert "HM-101" not in answer.text


def test_without_the_key_nothing_is_written(lan: httpx.Client, bench: Bench) -> None:
    before = len(bench.kit.all())
    assert lan.post("/api/v1/parts", json=HM_101 | {"number": "HM-666"}).status_code == 401
    assert lan.delete("/api/v1/parts/HM-101").status_code == 401
    assert lan.post("/api/v1/photos", files={"file": ("a.jpg", jpeg(6))}).status_code == 401
    assert len(bench.kit.all()) == before


def test_the_key_opens_by_header_and_by_cookie(lan: httpx.Client) -> None:
    assert lan.get("/api/v1/board", headers={"Authorization": f"Bearer {KEY}"}).status_code == 200
    entered = lan.get(f"/enter?key={KEY}&to=/photo")
    assert (entered.status_code, entered.headers["location"]) == (303, "/photo")
    cookie = entered.headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=strict" in cookie
    lan.cookies.clear()
    assert lan.get("/api/v1/board", headers={"Cookie": f"holeinspect_key={KEY}"}).status_code == 200


@pytest.mark.parametrize("target", ["https://elsewhere.example/", "//elsewhere.example/", "/\\elsewhere.example", "page"])
def test_signing_in_leads_to_our_own_pages_only(lan: httpx.Client, target: str) -> None:
    answer = lan.get("/enter", params={"key": KEY, "to": target})
    assert (answer.status_code, answer.headers["location"]) == (303, "/")
    lan.cookies.clear()


def test_a_wrong_key_signs_nobody_in(lan: httpx.Client) -> None:
    answer = lan.get("/enter?key=wrong")
    assert answer.status_code == 401
    assert "set-cookie" not in answer.headers


@pytest.mark.parametrize("host", ["elsewhere.example", "elsewhere.example:8531", "127.0.0.1.elsewhere.example", "192.0.2.7", ""])
def test_a_name_that_was_bound_to_this_machine_by_someone_else_is_not_answered(client: httpx.Client, host: str) -> None:
    assert client.get("/api/v1/parts", headers={"Host": host}).status_code == 421


@pytest.mark.parametrize("host", ["localhost", "localhost:8531", "127.0.0.1:1", "[::1]:8531", "LOCALHOST"])
def test_this_machine_is_answered_by_its_names(client: httpx.Client, host: str) -> None:
    assert client.get("/api/v1/health", headers={"Host": host}).status_code == 200


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "https://elsewhere.example"},
        {"Origin": "null"},
        {"Origin": "http://127.0.0.1:9"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
    ],
)
def test_other_sites_change_nothing(client: httpx.Client, headers: dict[str, str]) -> None:
    answer = client.post("/api/v1/parts", json=HM_101 | {"number": "HM-667"}, headers=headers)
    assert answer.status_code == 403
    assert client.get("/api/v1/parts/HM-667").status_code == 404


def test_our_own_pages_change_what_they_like(client: httpx.Client) -> None:
    headers = {"Origin": str(client.base_url).rstrip("/"), "Sec-Fetch-Site": "same-origin"}
    assert client.post("/api/v1/parts", json=HM_101 | {"number": "HM-668"}, headers=headers).status_code == 201


def test_every_example_in_the_openapi_document_fits_its_schema(client: httpx.Client) -> None:
    document = client.get("/api/v1/openapi.json").json()
    schemas = document["components"]["schemas"]
    with_examples = {name: schema for name, schema in schemas.items() if schema.get("examples")}
    assert {"PartNew", "PartChange", "PartShown", "CorrectionNew", "PhotoChange", "ImportShown"} <= set(with_examples)
    for name, schema in with_examples.items():
        for example in schema["examples"]:
            jsonschema.validate(example, {"$ref": f"#/components/schemas/{name}", "components": {"schemas": schemas}})
