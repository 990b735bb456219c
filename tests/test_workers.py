"""From a photo's upload to its result, with a stand-in for the measuring."""

from __future__ import annotations

import io
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy.exc import OperationalError

from holeinspect.errors import NoSuchRecord, PhotoError, QueueFull, RecordConflict, ServiceError
from holeinspect.records.bench import Bench
from holeinspect.records.filing import Filing
from holeinspect.records.photos import Target
from holeinspect.records.shapes import PartChange, PhotoChange
from holeinspect.setup import Setup
from tests.bench_stubs import GUSSET, add_gusset, file_photo, jpeg, measured, stub_bench, wait_for


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    with stub_bench(tmp_path_factory.mktemp("bench")) as bench:
        bench.kit.add(GUSSET.model_copy(update={"quantity": 30}))
        yield bench


def test_a_photo_is_measured_and_kept_with_what_it_was_told(bench: Bench) -> None:
    photo = measured(bench, "good", 1, "A")
    assert photo.state == "measured"
    assert photo.standing is not None
    assert photo.standing.verdict == "good"
    assert (photo.number, photo.serial, photo.side) == ("HM-101", 1, "A")
    assert '"parts"' in bench.photos.result(photo.id).json


def test_a_photo_that_cannot_be_measured_says_why(bench: Bench) -> None:
    photo = measured(bench, "no mat", 1, "B")
    assert (photo.state, photo.error) == ("failed", "No mat is in no mat.jpg. Lay the part on it.")


def test_a_fault_of_the_program_is_told_and_kills_no_worker(bench: Bench) -> None:
    photo = measured(bench, "fault", 2, "A")
    assert photo.error == "This is a fault of holeinspect, not of your photo: ZeroDivisionError: division by zero"
    assert photo.attempts == 0


def test_a_photo_whose_worker_died_is_tried_once_more(bench: Bench) -> None:
    photo = measured(bench, "good crash once", 3, "A")
    assert (photo.state, photo.attempts) == ("measured", 1)


def test_a_photo_of_which_two_workers_died_is_given_up_and_kept(bench: Bench) -> None:
    photo = measured(bench, "crash", 4, "A")
    assert (photo.state, photo.attempts) == ("failed", 2)
    assert photo.error is not None
    assert "The photo is kept" in photo.error
    assert bench.photos.file(photo.id).read_bytes()
    assert measured(bench, "good afterwards", 4, "B").state == "measured"


def test_the_same_upload_is_the_same_photo(bench: Bench) -> None:
    first = bench.photos.take_in(io.BytesIO(jpeg(1)), "a.jpg", Target(5, "A"))
    again = bench.photos.take_in(io.BytesIO(jpeg(1)), "renamed.jpg", Target(5, "A"))
    other_side = bench.photos.take_in(io.BytesIO(jpeg(1)), "a.jpg", Target(5, "B"))
    assert (first.new, again.new, other_side.new) == (True, False, True)
    assert again.photo.id == first.photo.id != other_side.photo.id


def test_an_upload_for_the_piece_that_its_photo_was_given_since_is_known(bench: Bench) -> None:
    photo = wait_for(bench, file_photo(bench, "good, whose is it", number=77).id)
    bench.photos.change(photo.id, PhotoChange(piece=6, side="A"))
    again = bench.photos.take_in(io.BytesIO(jpeg(77)), "again.jpg", Target(6, "A"))
    assert (again.new, again.photo.id) == (False, photo.id)


def test_a_photo_of_no_piece_asks_whose_it_is_and_is_measured_when_told(bench: Bench) -> None:
    lost = wait_for(bench, file_photo(bench, "good, but whose").id)
    assert lost.error == "No label of this kit was read in good, but whose.jpg. Say which piece it shows."
    assert bench.board.look().next_steps[0].kind == "say which piece"
    bench.photos.change(lost.id, PhotoChange(piece=7, side="B"))
    assert wait_for(bench, lost.id).state == "measured"
    assert bench.pieces.get(7).sides_wanted == ["A"]


def test_a_label_in_the_photo_says_whose_it_is(bench: Bench) -> None:
    code = bench.pieces.get(8).code
    photo = wait_for(bench, file_photo(bench, f"good {code}", Target(None, "A")).id)
    assert (photo.state, photo.piece, photo.side) == ("measured", 8, "A")


def test_two_labels_in_a_photo_decide_nothing(bench: Bench) -> None:
    codes = bench.pieces.get(8).code, bench.pieces.get(9).code
    photo = wait_for(bench, file_photo(bench, f"good {codes[0]} {codes[1]}").id)
    assert (photo.piece, photo.state) == (None, "failed")
    assert photo.error is not None
    assert photo.error.startswith("2 labels of this kit lie in")


def test_a_label_of_another_piece_stops_the_photo_until_a_person_decides(bench: Bench) -> None:
    code = bench.pieces.get(10).code
    photo = wait_for(bench, file_photo(bench, f"good no {code}", Target(11, "A")).id)
    assert photo.state == "failed"
    assert photo.error is not None
    assert "is of HM-101 piece 10, but the photo was filed under another piece" in photo.error
    bench.photos.change(photo.id, PhotoChange(piece=11))
    decided = wait_for(bench, photo.id)
    assert (decided.state, decided.piece) == ("measured", 11)
    assert decided.note is not None
    assert "HM-101 piece 10" in decided.note


def test_a_later_photo_decides_and_says_what_it_cleared(bench: Bench) -> None:
    measured(bench, "rework of 12", 12, "A")
    measured(bench, "good B of 12", 12, "B")
    assert bench.pieces.get(12).state == "rework"
    measured(bench, "mended A of 12", 12, "A")
    piece = bench.pieces.get(12)
    assert piece.state == "ready"
    first, _, last = piece.photos
    assert [(note.name, note.subject) for note in last.cleared] == [("short edge", "H2"), ("edge not in view", "H3")]
    assert (last.new, last.compared_with, last.counts, first.counts) == ([], first.photo.id, True, False)


def test_what_the_later_photo_does_not_show_is_not_called_cleared(bench: Bench) -> None:
    measured(bench, "rework of 19", 19, "A")
    measured(bench, "good, but of one hole, of 19", 19, "A")
    last = bench.pieces.get(19).photos[-1]
    assert (last.cleared, last.found) == ([], [])


def test_a_newer_photo_that_failed_takes_readiness_away_until_it_is_set_aside(bench: Bench) -> None:
    measured(bench, "good A of 13", 13, "A")
    measured(bench, "good B of 13", 13, "B")
    failed = measured(bench, "no mat of 13", 13, "A")
    assert (bench.pieces.get(13).state, bench.pieces.get(13).failed) == ("wants a photo", 1)
    bench.photos.change(failed.id, PhotoChange(set_aside=True))
    assert bench.pieces.get(13).state == "ready"


def test_a_hand_reading_is_wanted_where_a_side_is_undecided(bench: Bench) -> None:
    measured(bench, "by hand A of 14", 14, "A")
    measured(bench, "good B of 14", 14, "B")
    piece = bench.pieces.get(14)
    assert piece.state == "wants a reading"
    assert piece.why == ["Side A: measure the edge distance of H3 with a calliper: 10.04 mm or more passes"]


def test_measuring_again_adds_a_record_and_keeps_the_old(bench: Bench) -> None:
    photo = measured(bench, "good, twice", 15, "A")
    bench.photos.measure_again(photo.id)
    assert wait_for(bench, photo.id).inspections == 2


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        (b"", r"note\.txt is empty \(0 bytes\)"),
        (b"no photo at all", r"note\.txt is no photo that can be read"),
    ],
)
def test_what_is_no_photo_is_refused_at_once(bench: Bench, content: bytes, sentence: str) -> None:
    with pytest.raises(PhotoError, match=sentence):
        bench.photos.take_in(io.BytesIO(content), "note.txt", Target())


def test_a_photo_for_an_unknown_piece_is_refused(bench: Bench) -> None:
    with pytest.raises(NoSuchRecord, match="There is no piece 4000"):
        bench.photos.take_in(io.BytesIO(jpeg(4)), "a.jpg", Target(4000))


def test_an_upload_larger_than_the_limit_is_refused_and_leaves_nothing_behind(tmp_path: Path) -> None:
    with stub_bench(tmp_path, limit_bytes=1000) as bench:
        with pytest.raises(PhotoError, match="has more than"):
            bench.photos.take_in(io.BytesIO(jpeg() + bytes(2000)), "a.jpg", Target())
        assert list((tmp_path / "incoming").iterdir()) == []


def test_a_full_queue_refuses_and_says_when_to_come_back(tmp_path: Path) -> None:
    with stub_bench(tmp_path, capacity=2) as bench:
        add_gusset(bench)
        kept = [file_photo(bench, f"good slow {number}", Target(1, "A")) for number in range(2)]
        with pytest.raises(QueueFull, match="the queue holds 2") as refused:
            file_photo(bench, "good, one too many", Target(1, "A"))
        assert refused.value.retry_s > 0
        assert {wait_for(bench, photo.id).state for photo in kept} == {"measured"}


def test_a_result_that_cannot_be_kept_is_measured_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    keep, failures = Filing.file, iter([OperationalError("INSERT", {}, Exception("database or disk is full"))])

    def failing_once(self: Filing, photo_id: int, result: str, laid: str | None) -> None:
        for failure in failures:
            raise failure
        keep(self, photo_id, result, laid)

    monkeypatch.setattr(Filing, "file", failing_once)
    with stub_bench(tmp_path) as bench:
        add_gusset(bench)
        photo = measured(bench, "good", 1, "A")
    assert (photo.state, photo.inspections, photo.attempts) == ("measured", 1, 0)
    assert next(failures, None) is None


def test_a_photo_of_no_side_asks_for_it_and_is_measured_for_it(bench: Bench) -> None:
    photo = wait_for(bench, file_photo(bench, "good, which side", Target(20)).id)
    assert bench.pieces.get(20).sides_wanted == ["A", "B"]
    assert ("say which side", photo.id) in [(step.kind, step.photo) for step in bench.board.look().next_steps]
    bench.photos.change(photo.id, PhotoChange(side="B"))
    assert wait_for(bench, photo.id).inspections == 2
    assert bench.pieces.get(20).sides_wanted == ["A"]


def test_what_was_queued_when_the_service_stopped_is_measured_by_the_next(tmp_path: Path) -> None:
    with stub_bench(tmp_path) as bench:
        add_gusset(bench)
        photos = [file_photo(bench, f"good slow {number}", Target(1, "A")) for number in range(3)]
    with stub_bench(tmp_path) as bench:
        assert [wait_for(bench, photo.id).state for photo in photos] == ["measured"] * 3


def test_a_data_folder_is_served_once(tmp_path: Path) -> None:
    with stub_bench(tmp_path), pytest.raises(ServiceError, match="Another holeinspect serves"), stub_bench(tmp_path):
        pass


def test_new_settings_of_a_part_measure_its_deciding_photos_again(bench: Bench) -> None:
    thick = bench.kit.add(GUSSET.model_copy(update={"number": "HM-150", "quantity": 1}))
    piece = thick.pieces[0].id
    old = measured(bench, "good A of 150, old", piece, "A")
    new = measured(bench, "good A of 150, new", piece, "A")
    bench.kit.change("HM-150", PartChange(name="Gusset, left"))
    assert bench.photos.get(new.id).state == "measured"
    bench.kit.change("HM-150", PartChange(thickness="3.0mm"))
    assert (wait_for(bench, new.id).inspections, bench.photos.get(old.id).inspections) == (2, 1)


def test_a_photo_being_measured_is_not_moved(bench: Bench) -> None:
    photo = file_photo(bench, "good slow, not to be moved", Target(16, "A"))
    while bench.photos.get(photo.id).state == "queued":
        pass
    with pytest.raises(RecordConflict, match="is being measured"):
        bench.photos.change(photo.id, PhotoChange(piece=17))
    assert wait_for(bench, photo.id).piece == 16


def test_the_record_keeps_the_settings_of_its_time(bench: Bench) -> None:
    from holeinspect.records.models import InspectionRecord
    from holeinspect.records.setups import setup_from_json

    measured(bench, "good with its settings", 18, "B")
    with bench.database.read() as session:
        newest = session.query(InspectionRecord).order_by(InspectionRecord.id.desc()).first()
        assert newest is not None
        assert setup_from_json(newest.setup) == Setup(thickness="3.2mm", side="B")
