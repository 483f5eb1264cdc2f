"""Bytes of the spool that change on the medium: named, never skipped in silence, never fatal."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.errors import SpoolDamageError, StorageError
from pipeline.store.segment import HEADER_BYTES
from pipeline.store.spool import Spool
from tests.store.records import message, messages, payload_numbers, segment_files

FRAME_BYTES = 42 + 31 + 3 + 24  # head, topic, content type, payload of `message`


def _filled(folder: Path, count: int = 60) -> list[Path]:
    """A spool of groups of one record in several segments; its files, oldest first."""
    spool = Spool.open(folder, segment_bytes=HEADER_BYTES + 20 * FRAME_BYTES)
    for number in range(count):
        spool.append([message(number)])
    spool.close()
    return segment_files(folder)


def _flip(path: Path, offset: int, bit: int = 0) -> None:
    content = bytearray(path.read_bytes())
    content[offset] ^= 1 << bit
    path.write_bytes(content)


def _read_past_damage(spool: Spool) -> tuple[list[int], list[SpoolDamageError]]:
    numbers: list[int] = []
    errors: list[SpoolDamageError] = []
    position = spool.first_position
    while position < spool.next_position:
        try:
            found = spool.read(position)
        except SpoolDamageError as error:
            errors.append(error)
            position = error.resume_at
            continue
        numbers += payload_numbers(found)
        position = found[-1].position + 1
    return numbers, errors


@pytest.mark.slow
def test_read_when_any_bit_of_an_old_record_flipped_names_it_and_no_other(
    tmp_path: Path,
) -> None:
    """Every bit of a frame is under its checksum; only that record is lost, and said to be."""
    old = _filled(tmp_path)[0]
    spool = Spool.open(tmp_path)
    offset = HEADER_BYTES + 7 * FRAME_BYTES
    for byte in range(FRAME_BYTES):
        _flip(old, offset + byte, bit=byte % 8)

        numbers, errors = _read_past_damage(spool)

        assert numbers == [*range(7), *range(8, 60)], byte
        assert [(e.position, e.resume_at, e.offset) for e in errors] == [(7, 8, offset)]
        _flip(old, offset + byte, bit=byte % 8)
    assert _read_past_damage(spool) == (list(range(60)), [])
    spool.close()


def test_damage_says_where_and_what_to_do(tmp_path: Path) -> None:
    """The message names segment, byte and records, and how to go on."""
    old = _filled(tmp_path)[1]
    _flip(old, HEADER_BYTES + 3 * FRAME_BYTES + 50)
    spool = Spool.open(tmp_path)

    with pytest.raises(SpoolDamageError) as caught:
        spool.read(23)

    assert str(caught.value).startswith(
        f"{old}, byte {HEADER_BYTES + 3 * FRAME_BYTES}: records 23 to 23 of the spool cannot be "
        "read: expected a frame with its own checksum there."
    )
    assert "Copy the file away, run `spanwarden doctor`" in str(caught.value)
    assert "reading can go on at record 24" in str(caught.value)
    spool.close()


def test_read_when_started_behind_damage_does_not_mind_it(tmp_path: Path) -> None:
    """Damage among records that are not asked for, because they were sealed, stops nobody."""
    old = _filled(tmp_path)[0]
    _flip(old, HEADER_BYTES + 7 * FRAME_BYTES)
    spool = Spool.open(tmp_path)

    assert payload_numbers(spool.read(8, max_records=3)) == [8, 9, 10]
    assert payload_numbers(spool.read(0)) == list(range(7))
    spool.close()


@pytest.mark.parametrize(("first", "count"), [(0, 3), (5, 6), (15, 5)])
def test_read_when_a_stretch_is_lost_resumes_behind_it(
    tmp_path: Path, first: int, count: int
) -> None:
    """A lost block over several records, also up to the segment's end, is one stated loss."""
    old = _filled(tmp_path)[0]
    content = bytearray(old.read_bytes())
    begin = HEADER_BYTES + first * FRAME_BYTES
    content[begin : begin + count * FRAME_BYTES] = bytes(count * FRAME_BYTES)
    old.write_bytes(content)
    spool = Spool.open(tmp_path)

    numbers, errors = _read_past_damage(spool)

    assert numbers == [*range(first), *range(first + count, 60)]
    assert [(e.position, e.resume_at) for e in errors] == [(first, first + count)]
    spool.close()


def test_read_when_started_inside_a_lost_stretch_names_what_is_left_of_it(tmp_path: Path) -> None:
    """Asked for a lost record first of all, the error is about that record, up to the next one."""
    old = _filled(tmp_path)[0]
    content = bytearray(old.read_bytes())
    begin = HEADER_BYTES + 5 * FRAME_BYTES
    content[begin : begin + 6 * FRAME_BYTES] = bytes(6 * FRAME_BYTES)
    old.write_bytes(content)
    spool = Spool.open(tmp_path)
    for start in (10, 7, 5):
        with pytest.raises(SpoolDamageError) as caught:
            spool.read(start)

        assert (caught.value.position, caught.value.resume_at) == (start, 11)
    assert payload_numbers(spool.read(11, max_records=1)) == [11]
    spool.close()


def test_read_when_frames_changed_places_does_not_take_one_for_the_other(tmp_path: Path) -> None:
    """A sound frame of another position, as a misdirected write leaves it, is damage."""
    old = _filled(tmp_path)[0]
    content = bytearray(old.read_bytes())
    third, fourth = (HEADER_BYTES + n * FRAME_BYTES for n in (3, 4))
    content[third:fourth] = content[fourth : fourth + FRAME_BYTES]
    old.write_bytes(content)
    spool = Spool.open(tmp_path)

    numbers, errors = _read_past_damage(spool)

    assert numbers == [*range(3), *range(4, 60)]
    assert [(e.position, e.resume_at) for e in errors] == [(3, 4)]
    spool.close()


def test_read_when_an_old_segment_was_cut_or_removed_says_what_is_missing(tmp_path: Path) -> None:
    """Missing records between segments are a stated loss, not a jump."""
    files = _filled(tmp_path, 80)
    content = files[0].read_bytes()
    files[0].write_bytes(content[: HEADER_BYTES + 18 * FRAME_BYTES + 5])
    files[2].unlink()
    spool = Spool.open(tmp_path)

    numbers, errors = _read_past_damage(spool)

    assert numbers == [*range(18), *range(20, 40), *range(60, 80)]
    assert [(e.position, e.resume_at) for e in errors] == [(18, 20), (40, 60)]
    spool.close()


@pytest.mark.parametrize("lost", [1, FRAME_BYTES], ids=["a byte", "a frame"])
def test_open_when_the_last_segment_is_damaged_before_durable_records_keeps_them(
    tmp_path: Path, lost: int
) -> None:
    """A bad frame that later frames prove durable is no torn tail: nothing behind it is cut."""
    files = _filled(tmp_path)
    content = bytearray(files[-1].read_bytes())
    begin = HEADER_BYTES + 4 * FRAME_BYTES
    content[begin : begin + lost] = bytes(lost)
    files[-1].write_bytes(content)

    spool = Spool.open(tmp_path)
    numbers, errors = _read_past_damage(spool)

    assert numbers == [*range(44), *range(45, 60)]
    assert [(e.position, e.resume_at) for e in errors] == [(44, 45)]
    assert spool.statistics().torn_bytes_truncated == 0
    assert spool.statistics().damaged_segments == 1
    assert spool.append([message(60)]) == 60
    assert len(segment_files(tmp_path)) == len(files) + 1
    spool.close()
    spool = Spool.open(tmp_path)
    assert _read_past_damage(spool)[0] == [*range(44), *range(45, 61)]
    spool.close()


@pytest.mark.slow
def test_open_when_damaged_and_torn_cuts_only_what_was_torn(tmp_path: Path) -> None:
    """A frame behind the tear proves the damage before it, but not the torn group itself."""
    spool = Spool.open(tmp_path)
    spool.append(messages(0, 6), sync=False)
    spool.sync()
    spool.append(messages(6, 2))
    spool.close()
    for number in (1, 6):
        _flip(segment_files(tmp_path)[0], HEADER_BYTES + number * FRAME_BYTES + 50)

    spool = Spool.open(tmp_path)
    numbers, errors = _read_past_damage(spool)

    assert numbers == [0, 2, 3, 4, 5]
    assert [(e.position, e.resume_at) for e in errors] == [(1, 2)]
    assert spool.next_position == 6
    spool.close()


def test_open_when_a_header_is_broken_still_reads_the_records(tmp_path: Path) -> None:
    """The header is told to be damaged; every record has its own checksum and is kept."""
    files = _filled(tmp_path)
    for path in (files[0], files[-1]):
        _flip(path, 9)

    spool = Spool.open(tmp_path)

    assert _read_past_damage(spool) == (list(range(60)), [])
    assert spool.statistics().damaged_segments == 2
    spool.close()


def test_open_when_nothing_of_the_last_segment_can_be_read_cuts_nothing(tmp_path: Path) -> None:
    """A segment of garbage is not taken for a torn tail: opening stops with a remedy."""
    last = _filled(tmp_path)[-1]
    garbage = bytes((7 * i + 1) % 251 for i in range(5000))
    last.write_bytes(garbage)

    with pytest.raises(StorageError) as caught:
        Spool.open(tmp_path)

    assert "neither its header nor any of its records can be read" in str(caught.value)
    assert "then remove the file and start again: what it held is lost" in str(caught.value)
    assert last.read_bytes() == garbage


def test_read_when_the_active_segment_is_damaged_while_open_names_it(tmp_path: Path) -> None:
    """The live reader meets damage in the segment that is being written to as anywhere else."""
    spool = Spool.open(tmp_path)
    spool.append(messages(0, 10))
    _flip(segment_files(tmp_path)[0], HEADER_BYTES + 9 * FRAME_BYTES + 60)

    numbers, errors = _read_past_damage(spool)

    assert numbers == list(range(9))
    assert [(e.position, e.resume_at) for e in errors] == [(9, 10)]
    spool.close()
