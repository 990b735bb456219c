"""The tables: kit parts, their pieces, photos, inspections and corrections.

Inspections and corrections are only ever added. What may change is the kit list, where a photo belongs, and how far the
queue has come with it. Moments are UTC.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any, Literal

from sqlalchemy import JSON, DateTime, Dialect, ForeignKey, Index, MetaData, String, Text, TypeDecorator, UniqueConstraint
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column, relationship

from holeinspect.records.label_codes import CODE_LETTERS
from holeinspect.records.shapes import PhotoState, Side

PieceBy = Literal["upload", "label", "person"]
"""Who said which piece a photo shows: the upload, the label in the photo, or a person afterwards, who has the last word."""

NAMING = {
    "ix": "ix_%(column_0_label)s",
    "uq": "uq_%(table_name)s_%(column_0_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
    "fk": "fk_%(table_name)s_%(column_0_name)s_%(referred_table_name)s",
    "pk": "pk_%(table_name)s",
}
"""Constraint names that are the same in every database, so that migrations can name them."""

SHA256_DIGITS = 64


class Moment(TypeDecorator[datetime]):
    """A moment in UTC: kept without a zone, given back with one."""

    impl = DateTime
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """To UTC without a zone; a moment without one is refused, as nobody knows when it was."""
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError(f"{value} has no time zone. Give it one, such as UTC.")
        return value.astimezone(UTC).replace(tzinfo=None)

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """With its zone."""
        return None if value is None else value.replace(tzinfo=UTC)


class Base(DeclarativeBase):
    """Base of all tables."""

    metadata = MetaData(naming_convention=NAMING)


class KitPart(Base):
    """A part of the kit list, with what its inspections need to know. Lengths as typed by the user."""

    __tablename__ = "kit_part"

    id: Mapped[int] = mapped_column(primary_key=True)
    number: Mapped[str] = mapped_column(String(60), unique=True)
    name: Mapped[str] = mapped_column(String(200), default="")
    quantity: Mapped[int] = mapped_column(default=1)
    material: Mapped[str] = mapped_column(String(200), default="")
    thickness: Mapped[str] = mapped_column(String(40))
    thickness_mm: Mapped[float]
    face_height: Mapped[str | None] = mapped_column(String(40))
    drawing: Mapped[str] = mapped_column(String(200), default="")
    revision: Mapped[str] = mapped_column(String(60), default="")
    fastener: Mapped[str | None] = mapped_column(String(60))
    drill_sets: Mapped[list[str]] = mapped_column(JSON, default=list)
    edge_rule: Mapped[float | None]
    pitch_rule: Mapped[float | None]
    hole_fasteners: Mapped[dict[str, str]] = mapped_column(JSON, default=dict)
    hole_rules: Mapped[dict[str, float]] = mapped_column(JSON, default=dict)
    burr_limit: Mapped[str | None] = mapped_column(String(40))
    nick_limit: Mapped[str | None] = mapped_column(String(40))
    least_corner_radius: Mapped[str | None] = mapped_column(String(40))
    notes: Mapped[str] = mapped_column(Text, default="")
    changed_at: Mapped[datetime] = mapped_column(Moment)

    pieces: Mapped[list[Piece]] = relationship(
        back_populates="part", order_by="Piece.serial", cascade="all, delete-orphan", passive_deletes=True
    )


class Piece(Base):
    """One piece of a part; code: what its label says, hard to guess."""

    __tablename__ = "piece"
    __table_args__ = (UniqueConstraint("part_id", "serial"), {"sqlite_autoincrement": True})  # an old link finds no new piece

    id: Mapped[int] = mapped_column(primary_key=True)
    part_id: Mapped[int] = mapped_column(ForeignKey("kit_part.id", ondelete="CASCADE"))
    serial: Mapped[int]
    code: Mapped[str] = mapped_column(String(CODE_LETTERS), unique=True)

    part: Mapped[KitPart] = relationship(back_populates="pieces")
    photos: Mapped[list[Photo]] = relationship(back_populates="piece", order_by="Photo.id", passive_deletes="all")


class Photo(Base):
    """An uploaded photo, and its place in the queue.

    sha256: of the file as kept (without location data); uploaded_sha256: of the file as it came. upload_key: piece, side and
    uploaded_sha256 as they came, so that one upload sent twice is one photo. queued_at: its turn in the queue. attempts: how
    often a worker died of it.
    """

    __tablename__ = "photo"
    __table_args__ = (Index("ix_photo_state_queued_at", "state", "queued_at"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    piece_id: Mapped[int | None] = mapped_column(ForeignKey("piece.id", ondelete="RESTRICT"), index=True)
    piece_by: Mapped[PieceBy] = mapped_column(String(10), default="upload")
    side: Mapped[Side | None] = mapped_column(String(1))
    name: Mapped[str] = mapped_column(String(255))
    sha256: Mapped[str] = mapped_column(String(SHA256_DIGITS))
    ending: Mapped[str] = mapped_column(String(8))
    uploaded_sha256: Mapped[str] = mapped_column(String(SHA256_DIGITS), index=True)
    upload_key: Mapped[str] = mapped_column(String(100), unique=True)
    size_bytes: Mapped[int]
    state: Mapped[PhotoState] = mapped_column(String(10), default="queued")
    attempts: Mapped[int] = mapped_column(default=0)
    error: Mapped[str | None] = mapped_column(Text)
    note: Mapped[str | None] = mapped_column(Text)
    set_aside: Mapped[bool] = mapped_column(default=False)
    taken_at: Mapped[str | None] = mapped_column(String(32))
    received_at: Mapped[datetime] = mapped_column(Moment)
    queued_at: Mapped[datetime] = mapped_column(Moment)

    piece: Mapped[Piece | None] = relationship(back_populates="photos")
    inspections: Mapped[list[InspectionRecord]] = relationship(back_populates="photo", order_by="InspectionRecord.id")
    corrections: Mapped[list[Correction]] = relationship(back_populates="photo", order_by="Correction.id")


class InspectionRecord(Base):
    """One run of the measuring on a photo: what it was told, and what it found. Never changed; a new run is a new row.

    setup, inspection: JSON of Setup and Inspection. since: JSON of Since, how it lies over the photo before it. standing: what
    holds after the corrections (JSON of StandingShown), worked out from setup, inspection and corrections, and worked out anew
    when a correction is added.
    """

    __tablename__ = "inspection"

    id: Mapped[int] = mapped_column(primary_key=True)
    photo_id: Mapped[int] = mapped_column(ForeignKey("photo.id", ondelete="RESTRICT"), index=True)
    setup: Mapped[str] = mapped_column(Text)
    inspection: Mapped[str] = mapped_column(Text, deferred=True)
    since: Mapped[str | None] = mapped_column(Text)
    inspection_sha256: Mapped[str] = mapped_column(String(SHA256_DIGITS))
    standing: Mapped[dict[str, Any]] = mapped_column(JSON)
    measured_at: Mapped[datetime] = mapped_column(Moment)
    program_version: Mapped[str] = mapped_column(String(40))
    seconds: Mapped[float]

    photo: Mapped[Photo] = relationship(back_populates="inspections")


class Correction(Base):
    """What a person says about an inspection. Only ever added; one is taken back by another."""

    __tablename__ = "correction"

    id: Mapped[int] = mapped_column(primary_key=True)
    photo_id: Mapped[int] = mapped_column(ForeignKey("photo.id", ondelete="RESTRICT"), index=True)
    inspection_id: Mapped[int] = mapped_column(ForeignKey("inspection.id", ondelete="RESTRICT"))
    said: Mapped[dict[str, Any]] = mapped_column(JSON)
    who: Mapped[str] = mapped_column(String(100))
    made_at: Mapped[datetime] = mapped_column(Moment)

    photo: Mapped[Photo] = relationship(back_populates="corrections")
