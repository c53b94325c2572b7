"""The command line: open, one call, print. Status 0 all measured, 3 some refused, 2 bad usage."""

from __future__ import annotations

import copyreg
import json
import sys
from collections.abc import Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager, suppress
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Annotated, Any, TextIO

import typer
from rich.console import Console
from rich.markup import escape
from rich.padding import Padding
from rich.table import Table

from toeline import __version__
from toeline.coupon import PHOTOGRAPHED, Coupon, Hints, Scaling
from toeline.errors import BadUsage, LogbookTrouble, ToelineError, cant_write

if TYPE_CHECKING:
    from toeline.causes import Past
    from toeline.logbook import Logbook

app = typer.Typer(
    help="Measure a weld bead from one photo taken beside a printed scale strip.",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    add_completion=False,
)
out = Console(highlight=False, emoji=False)
err = Console(stderr=True, highlight=False, emoji=False)

CAUTION = (
    "A photo sees no fusion, no cracks and nothing below the surface. Whether a weld is acceptable is for the code in force and its "
    "inspector to decide. Mind hot metal, fume and eyes."
)


def main() -> None:
    """Entry point: every expected error becomes one sentence and a status."""
    try:
        sys.exit(app(standalone_mode=False) or 0)
    except ToelineError as error:
        err.print(f"[bold]toeline:[/] {escape(str(error))}", soft_wrap=True)
        sys.exit(2 if isinstance(error, BadUsage) else 3)
    except Exception as error:
        if hasattr(error, "format_message") and hasattr(error, "exit_code"):  # the command-line parser's own complaints
            said = error.format_message().partition(", unable to parse")[0].rstrip(". ")
            if said:  # nothing is said where the help was shown instead
                err.print(f"[bold]toeline:[/] {escape(said)}. See `toeline --help`.", soft_wrap=True)
            sys.exit(2)
        if type(error).__name__ == "Abort":
            sys.exit(130)
        raise
    except KeyboardInterrupt:
        sys.exit(130)


@app.callback(invoke_without_command=True)
def _version(version: Annotated[bool, typer.Option("--version", help="Say the version and stop.")] = False) -> None:
    if version:
        out.print(__version__)
        raise typer.Exit(0)


@app.command()
def inspect(
    photos: Annotated[list[Path], typer.Argument(help="Photos, or folders of photos.")],
    joint: Annotated[str, typer.Option(help="tee, butt, plate, lap or corner.")] = "tee",
    process: Annotated[
        str | None, typer.Option(help="gmaw-s, gmaw-spray, gmaw-p, fcaw-s, fcaw-g or another that has a table.")
    ] = None,
    strip_thickness_mm: Annotated[
        str | None, typer.Option(help="Height of the printed face above the plate: one number, or A=0.1,B=1.0.")
    ] = None,
    print_factor: Annotated[
        str | None, typer.Option(help="Measured length of the 80 mm check lines over 80: one number, or ALONG,ACROSS.")
    ] = None,
    plate_scraped: Annotated[bool, typer.Option(help="The plate under the strips was scraped clean.")] = False,
    plate_angle_deg: Annotated[float | None, typer.Option(help="Angle between the plates of a tee, if known.")] = None,
    plate_thickness_mm: Annotated[float | None, typer.Option(help="Plate thickness.")] = None,
    camera: Annotated[str | None, typer.Option(help="Camera profile written by `toeline camera`.")] = None,
    rule: Annotated[str | None, typer.Option(help="Two points on a rule: X1,Y1,X2,Y2=MM.")] = None,
    px_per_mm: Annotated[float | None, typer.Option(help="Scale given by hand.")] = None,
    unscaled: Annotated[bool, typer.Option(help="No strip: find the bead and tell ratios, nothing in mm.")] = False,
    through: Annotated[list[str] | None, typer.Option(help="A point on a toe, TOE=X,Y in px; repeat for more.")] = None,
    box: Annotated[str | None, typer.Option(help="Box round the bead, X0,Y0,X1,Y1 in px.")] = None,
    bead: Annotated[
        str | None, typer.Option(help="A point on the bead that is meant, X,Y in px, where several are in view.")
    ] = None,
    travel: Annotated[str | None, typer.Option(help="Direction of travel in the coupon view: right or left.")] = None,
    target_leg_mm: Annotated[float | None, typer.Option(help="Leg that was asked for.")] = None,
    target_width_mm: Annotated[float | None, typer.Option(help="Width that was asked for.")] = None,
    position: Annotated[str | None, typer.Option(help="flat, horizontal, vertical-up, vertical-down or overhead.")] = None,
    plate_before: Annotated[str, typer.Option(help="Plate before this bead: clean or unknown.")] = "unknown",
    before: Annotated[
        Path | None, typer.Option(help="Photo of the plates before this bead: particles on it are taken off the count.")
    ] = None,
    plate_now: Annotated[
        str, typer.Option(help="Plate in the photo: as welded, slag chipped, brushed, scraped or sprayed.")
    ] = "as welded",
    root_gap_mm: Annotated[float | None, typer.Option(help="Gap at the root, where it matters.")] = None,
    gauge: Annotated[list[str] | None, typer.Option(help="A gauge reading, such as throat_mm=4.2; repeat for more.")] = None,
    test: Annotated[
        str | None, typer.Option(help="Test made on the coupon: break, bend or macro, as TEST=passed or TEST=failed.")
    ] = None,
    settings: Annotated[Path | None, typer.Option(help="Machine settings, TOML.")] = None,
    limits: Annotated[str, typer.Option(help="Limit set; `toeline limits` lists them.")] = "teaching",
    same_coupon: Annotated[
        bool, typer.Option(help="The photos show one coupon, strips left where they lie: solve them together, one result.")
    ] = False,
    json_to: Annotated[
        str | None, typer.Option("--json", help="Write results as JSON Lines to a file, or - for the screen.")
    ] = None,
    overlay: Annotated[Path | None, typer.Option(help="Folder for pictures with the findings drawn in.")] = None,
    logbook: Annotated[Path | None, typer.Option(help="Save to this logbook.")] = None,
    after: Annotated[int | None, typer.Option(help="Number in the logbook of the coupon before this one.")] = None,
    changed: Annotated[
        str | None, typer.Option(help="Cause whose change was made after it, such as volts-low; the JSON's `key` names it.")
    ] = None,
    saw: Annotated[
        list[str] | None,
        typer.Option(help="A sign that you saw or heard yourself, such as stubbing, or no-stubbing; repeat for more."),
    ] = None,
    workers: Annotated[int, typer.Option(help="Photos worked on at the same time.", min=1, max=64)] = 1,
) -> None:
    """Inspect photos: legs or width with ±, spatter, verdicts, likely causes."""
    from toeline.causes.settings import read_settings
    from toeline.photo import find_photos

    if process is None and (saw or after is not None or changed is not None):
        raise BadUsage(
            "What you saw (--saw) or changed (--after, --changed) speaks of causes, and these hang on the process.",
            advice="Give --process as well.",
        )
    if plate_before.lower() == PHOTOGRAPHED:
        raise BadUsage("A photo of the plates before the bead was named, but not given.", advice="Give it with --before PHOTO.")
    coupon = Coupon(
        joint=joint,
        process=process,
        position=position,
        plate_thickness_mm=plate_thickness_mm,
        target_leg_mm=target_leg_mm,
        target_width_mm=target_width_mm,
        travel=travel,
        plate_before=plate_before,
        plate_now=plate_now,
        root_gap_mm=root_gap_mm,
        settings=read_settings(settings) if settings else {},
        gauge=dict(_reading(text) for text in gauge or ()),
        observed=tuple(name for name in saw or () if not name.startswith("no-")),
        not_observed=tuple(name.removeprefix("no-") for name in saw or () if name.startswith("no-")),
        **_test(test),
    )
    _check_target(coupon)
    limits = limits.lower()
    scaling = Scaling(
        strip_thickness_mm=_thickness(strip_thickness_mm),
        print_factor=_pair(print_factor, "--print-factor") if print_factor else (1.0, 1.0),
        plate_scraped=plate_scraped,
        plate_angle_deg=plate_angle_deg,
        camera=camera,
        px_per_mm=px_per_mm,
        unscaled=unscaled,
        **_rule(rule),
    )
    hints = Hints(tuple(_anchor(text) for text in through or ()), _box(box), _bead(bead))
    listed = [photo for path in photos for photo in find_photos(path)]
    if not listed:
        raise BadUsage("There is no photo in that folder.", advice="Name a folder with JPEG, HEIC, PNG or WebP files.")
    _check_folder(logbook)
    _make_folder(overlay)
    history = _history(logbook, after, changed)
    if same_coupon:
        if hints != Hints():
            raise BadUsage("Points and boxes set by hand belong to one photo.", advice="Leave out --through, --box and --bead.")
        if before is not None:
            raise BadUsage(
                "A photo of the plates before the bead is taken off one photo's count, not off several photos together.",
                advice="Inspect one of the photos with --before, or leave it out.",
            )
    with _opened(json_to) as stream:
        if same_coupon:
            raise typer.Exit(_run_together(listed, coupon, scaling, limits, stream, overlay, logbook, history))
        refused = _run(listed, coupon, scaling, hints, limits, before, stream, overlay, logbook, workers, history)
    raise typer.Exit(3 if refused else 0)


def _run(
    photos: list[Path],
    coupon: Coupon,
    scaling: Scaling,
    hints: Hints,
    limits: str,
    before: Path | None,
    stream: TextIO | None,
    overlay: Path | None,
    logbook: Path | None,
    workers: int,
    history: tuple[Past, ...] = (),
) -> int:
    jobs = [(path, coupon, scaling, hints, limits, before, overlay, logbook, history) for path in photos]
    refused = 0
    for path, record, note in _results(jobs, workers):
        refused += record is None or record["refused"] is not None
        if stream and record is not None:
            _write(stream, record)
        if stream is not sys.stdout:
            _tell(path, record, note)
        elif note:
            err.print(f"[bold]{escape(path.name)}:[/] {escape(note)}", soft_wrap=True)
    if stream is not sys.stdout:
        out.print(f"[dim]{CAUTION}[/]")
    return refused


def _run_together(
    paths: list[Path],
    coupon: Coupon,
    scaling: Scaling,
    limits: str,
    stream: TextIO | None,
    overlay: Path | None,
    logbook: Path | None,
    history: tuple[Past, ...],
) -> int:
    """All photos as one coupon: one table, one line of JSON, one entry in the logbook; the status."""
    from toeline.photo import read_photo
    from toeline.report.tables import photo_rows
    from toeline.same_coupon import inspect_coupon

    data = {path: path.read_bytes() for path in paths if path.is_file()}
    photos = [read_photo(data[path], name=path.name) if data.get(path) else read_photo(path) for path in paths]
    found = inspect_coupon(photos, coupon, scaling=scaling, limit_set=limits, history=history)
    record, lead, note = found.as_dict(), photos.index(found.joint.photo), ""
    try:
        if overlay is not None:
            for path, one in zip(paths, found.photos, strict=True):
                _write_overlay(one, overlay / f"{path.stem}-overlay.jpg")
        if logbook is not None:
            from toeline.logbook import Logbook

            with Logbook(logbook) as book:
                note = _save(book, record, data[paths[lead]])
    except OSError as error:
        raise LogbookTrouble(
            f"The result could not be written ({_at_fault(error)}).", advice="Check the disk and the permissions."
        ) from error
    if stream is not None:
        _write(stream, record)
    if stream is sys.stdout:
        err.print(note)
    else:
        _tell(paths[lead], record, note)
        _print_table(("photo", "by itself ± (k = 2)", "in the result"), photo_rows(record))
        out.print(f"[dim]{CAUTION}[/]")
    return 3 if record["refused"] else 0


@contextmanager
def _opened(json_to: str | None) -> Iterator[TextIO | None]:
    """Where the JSON goes, if anywhere: opened before the work, so that a wrong path costs no time."""
    if json_to is None or json_to == "-":
        yield sys.stdout if json_to else None
        return
    try:
        stream = open(json_to, "w", encoding="utf-8")
    except OSError as error:
        raise cant_write("The results", json_to, error) from error
    try:
        yield stream
    finally:
        with suppress(OSError):  # what could not be written was already told
            stream.close()


def _make_folder(overlay: Path | None) -> None:
    try:
        if overlay is not None:
            overlay.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise cant_write("The overlays", overlay, error) from error


def _check_folder(logbook: Path | None) -> None:
    """A logbook is made where there is none, but not its folder: that would be a slip of the pen."""
    if logbook is not None and not logbook.parent.is_dir():
        raise BadUsage(f"The logbook's folder {logbook.parent} is not there.", advice="Make the folder first, or check the path.")


def _check_target(coupon: Coupon) -> None:
    """A tee has legs, every other joint a width: a target of the other kind would be compared with nothing."""
    legs = coupon.joint == "tee"
    if (coupon.target_width_mm if legs else coupon.target_leg_mm) is None:
        return
    given, use, has = ("width", "leg", "legs") if legs else ("leg", "width", "a width")
    raise BadUsage(
        f"--target-{given}-mm does not fit the joint {coupon.joint}, of which {has} can be measured.",
        advice=f"Give --target-{use}-mm, or name another --joint.",
    )


def _write(stream: TextIO, record: dict[str, Any]) -> None:
    """Write one line and see it through; a full disk is a sentence, not a traceback."""
    try:
        stream.write(json.dumps(record, ensure_ascii=False) + "\n")
        stream.flush()
    except OSError as error:
        raise LogbookTrouble(
            f"{stream.name} can't be written ({error.strerror or error}), so its results are not kept.",
            advice="Make room on the disk or name another file, then run the command again.",
        ) from error


Job = tuple[Path, Coupon, Scaling, Hints, str, Path | None, Path | None, Path | None, "tuple[Past, ...]"]


def _results(jobs: list[Job], workers: int) -> Iterator[tuple[Path, dict[str, Any] | None, str]]:
    if workers == 1 or len(jobs) == 1:
        yield from map(_one, jobs)
        return
    copyreg.pickle(MappingProxyType, _thaw)
    with ProcessPoolExecutor(min(workers, len(jobs))) as pool:
        yield from pool.map(_one, jobs)


def _thaw(frozen: MappingProxyType[Any, Any]) -> tuple[Any, tuple[dict[Any, Any]]]:
    """How a read-only mapping travels to another process."""
    return _freeze, (dict(frozen),)


def _freeze(plain: dict[Any, Any]) -> MappingProxyType[Any, Any]:
    return MappingProxyType(plain)


def _one(job: Job) -> tuple[Path, dict[str, Any] | None, str]:
    """One photo from file to record; an error becomes a note, so that the batch goes on."""
    from toeline.inspection import inspect_photo
    from toeline.photo import read_photo

    path, coupon, scaling, hints, limits, before, overlay, logbook, history = job
    note = ""
    try:
        data = path.read_bytes() if path.is_file() else b""
        photo = read_photo(path) if not data else read_photo(data, name=path.name)
        earlier = None if before is None else read_photo(before)
        found = inspect_photo(photo, coupon, scaling=scaling, hints=hints, limit_set=limits, history=history, before=earlier)
        record = found.as_dict()
        if overlay is not None:
            _write_overlay(found, overlay / f"{path.stem}-overlay.jpg")
        if logbook is not None:
            from toeline.logbook import Logbook

            with Logbook(logbook) as book:
                note = _save(book, record, data)
        return path, record, note
    except BadUsage:
        raise
    except ToelineError as error:
        return path, None, str(error)
    except OSError as error:
        return path, None, f"{path.name} could not be finished ({_at_fault(error)}). Check the disk and the permissions."


def _at_fault(error: OSError) -> str:
    """What the system complains of, and of which file."""
    return f"{error.strerror or error}" + (f": {error.filename}" if error.filename else "")


def _save(book: Logbook, record: dict[str, Any], photo: bytes) -> str:
    """Save to the logbook and tell the number, by which the next coupon names this one."""
    there = book.number_of(record)
    number = book.save(record, photo).id
    return f"Already there as number {number}." if there is not None else f"Saved as number {number}."


def _write_overlay(found: object, path: Path) -> None:
    from PIL import Image

    from toeline.inspection import Inspection
    from toeline.report.overlay import overlay_picture

    assert isinstance(found, Inspection)
    path.parent.mkdir(parents=True, exist_ok=True)
    Image.fromarray(overlay_picture(found)).save(path, quality=90)


def _tell(path: Path, record: dict[str, Any] | None, note: str) -> None:
    """The table of one photo, or why there is none; then what else is to be said of it."""
    out.rule(f"[bold]{escape(path.name)}[/]", align="left")
    if record is not None and record["refused"]:
        why = escape(f"{record['refused']['message']} {record['refused']['advice']}")
        out.print(f"[bold]Not measured.[/] {why}", soft_wrap=True)
    elif record is not None:
        _tell_measured(record)
    if note:
        out.print(escape(note), soft_wrap=True)


def _tell_measured(record: dict[str, Any]) -> None:
    from toeline.report.tables import cause_lines, flag_lines, measure_rows, moved_words, part_lines, verdict_lines

    _print_table(("measure", "value ± (k = 2)"), measure_rows(record))
    for line in (*part_lines(record), *filter(None, [moved_words(record)])):
        out.print(f"  {escape(line)}", soft_wrap=True)
    for line in cause_lines(record):
        out.print(escape(line), soft_wrap=True)
    for outcome, what, numbers, source in verdict_lines(record):
        out.print(f"  {escape(what)}: [bold]{outcome}[/]{'. ' + escape(numbers) if numbers else ''}", soft_wrap=True)
        out.print(Padding(f"[dim]{escape(source)}[/]", (0, 0, 0, 6)))
    for line in flag_lines(record):
        out.print(f"[dim]• {escape(line)}[/]", soft_wrap=True)


def _print_table(columns: Iterable[str], rows: Iterable[tuple[str, ...]]) -> None:
    rows, table = list(rows), Table(box=None, padding=(0, 2), header_style="dim")
    for number, column in enumerate(columns):  # the first names the row: never cut short
        table.add_column(column, min_width=min(32, max(len(row[0]) for row in rows)) if rows and number == 0 else None)
    for row in rows:
        table.add_row(*map(escape, row))
    out.print(table)


@app.command()
def strips(
    folder: Annotated[Path, typer.Argument(help="Where to put the sheets.")] = Path("."),
) -> None:
    """Write the printable strip sheets (A4 and Letter) as PDF."""
    from toeline.report.strip_sheets import write_sheets

    for paper in ("a4", "letter"):
        for path in write_sheets(folder, paper=paper):
            out.print(escape(str(path)), soft_wrap=True)
    out.print("Print at 100 % (no 'fit to page'), then measure both 80 mm check lines.")


@app.command()
def camera(
    photos: Annotated[list[Path], typer.Argument(help="Eight or more photos of a strip or of the board, from many sides.")],
    profile: Annotated[Path, typer.Option(help="Where to write the profile.")] = Path("camera.toml"),
) -> None:
    """Calibrate a phone's camera from photos of a strip and write its profile."""
    from toeline.photo import find_photos, read_photo
    from toeline.scale.camera import calibrate, write_profile

    read = [read_photo(path) for given in photos for path in find_photos(given)]
    found = calibrate(read)
    write_profile(found, profile)
    out.print(
        f"{escape(str(profile))}: focal length {found.lens.focal_px:.1f} px, reprojection error {found.residual_px:.2f} px."
    )


@app.command("limits")
def limit_sets() -> None:
    """List the limit sets with edition and status."""
    from toeline.limits import load_limit_sets

    for name, chosen in load_limit_sets().items():
        out.print(f"[bold]{escape(name)}[/]  {escape(chosen.title)}")
        out.print(Padding(f"[dim]{escape(f'{chosen.edition}; {chosen.status}')}[/]", (0, 0, 0, 6)))


@app.command("app")
def serve(
    phone: Annotated[bool, typer.Option(help="Let one phone in over the home network, with a one-time code.")] = False,
    port: Annotated[int, typer.Option(help="Port.")] = 8501,
    logbook: Annotated[Path | None, typer.Option(help="Logbook to use.")] = None,
) -> None:
    """Serve the pages on this machine (127.0.0.1 only, unless --phone)."""
    from toeline.serve import serve_app

    _check_folder(logbook)
    raise typer.Exit(serve_app(phone=phone, port=port, logbook=logbook))


@app.command()
def demo(
    samples: Annotated[Path, typer.Option(help="Folder of sample photos with their truth.")] = Path("sample_images"),
    logbook: Annotated[Path, typer.Option(help="Demo logbook, made anew.")] = Path("demo/logbook.sqlite"),
    overlay: Annotated[Path | None, typer.Option(help="Folder for overlays.")] = None,
) -> None:
    """Inspect every sample photo, print the table, and fill a demo logbook marked as invented data."""
    from toeline.demo import fill_logbook, fingerprint, remember, remembered, run_samples

    mark = fingerprint(samples)
    rows = None if overlay else remembered(logbook, mark)
    if rows is None:
        out.print("Inspecting the sample photos; this takes a minute or two the first time …")
        rows, records = run_samples(samples, overlay=overlay)
        n = fill_logbook(records, logbook)
        remember(logbook, mark, rows)
        out.print(f"{escape(str(logbook))}: {n} coupons saved, all invented data.")
    _print_table(("photo", "measured mm ± (k = 2)", "true mm", "spatter", "likely cause", "planted"), rows)
    out.print(f"[dim]{CAUTION}[/]")


def _numbers(text: str, n: int, option: str, advice: str = "") -> tuple[float, ...]:
    try:
        got = tuple(float(part) for part in text.split(","))
    except ValueError:
        got = ()
    if len(got) != n:
        usual = "Give one number." if n == 1 else f"Give {n} numbers with commas between them."
        raise BadUsage(f"{option} got {text!r}.", advice=advice or usual)
    return got


def _pair(text: str, option: str) -> tuple[float, float]:
    a, *rest = _numbers(text, 2 if "," in text else 1, option, "Give one number, or ALONG,ACROSS.")
    return a, (rest[0] if rest else a)


def _thickness(text: str | None) -> float | dict[str, float] | None:
    if text is None:
        return None
    try:
        if "=" not in text:
            return float(text)
        return {letter.strip().upper(): float(mm) for letter, mm in (part.split("=") for part in text.split(","))}
    except ValueError:
        raise BadUsage(f"--strip-thickness-mm got {text!r}.", advice="Give one number in mm, or A=0.1,B=1.0.") from None


def _rule(text: str | None) -> dict[str, Any]:
    if text is None:
        return {}
    points, _, mm = text.partition("=")
    x1, y1, x2, y2 = _numbers(points, 4, "--rule")
    return {"rule_px": ((x1, y1), (x2, y2)), "rule_mm": _numbers(mm, 1, "--rule")[0]}


def _reading(text: str) -> tuple[str, float]:
    name, _, value = text.partition("=")
    return name.strip(), _numbers(value, 1, "--gauge")[0]


def _history(logbook: Path | None, after: int | None, changed: str | None) -> tuple[Past, ...]:
    """The coupons that this one follows, from the logbook."""
    if after is None:
        if changed is not None:
            raise BadUsage("--changed says what was changed, but not after which coupon.", advice="Give --after NUMBER as well.")
        return ()
    if logbook is None:
        raise BadUsage("--after names a coupon of a logbook.", advice="Give --logbook FILE as well.")
    from toeline.logbook import Logbook

    with Logbook(logbook) as book:
        return book.history(after, changed)


def _test(text: str | None) -> dict[str, Any]:
    if text is None:
        return {}
    name, _, result = (part.strip() for part in text.partition("="))
    if not result:
        raise BadUsage(
            f"--test got {text!r}, without its result.", advice=f"Give {name or 'bend'}=passed or {name or 'bend'}=failed."
        )
    return {"test": name, "test_result": result}


def _anchor(text: str) -> tuple[str, float, float]:
    name, _, point = text.partition("=")
    if name.lower() not in ("base", "standing", "left", "right"):
        raise BadUsage(f"--through got {text!r}.", advice="Use base=X,Y, standing=X,Y, left=X,Y or right=X,Y in px.")
    x, y = _numbers(point, 2, "--through")
    return name.lower(), x, y


def _box(text: str | None) -> tuple[float, float, float, float] | None:
    if text is None:
        return None
    x0, y0, x1, y1 = _numbers(text, 4, "--box")
    return x0, y0, x1, y1


def _bead(text: str | None) -> tuple[float, float] | None:
    if text is None:
        return None
    x, y = _numbers(text, 2, "--bead")
    return x, y
