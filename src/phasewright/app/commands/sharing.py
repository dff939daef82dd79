"""What others get to see: the guide, the package and its proof, the comparison."""

from __future__ import annotations

from pathlib import Path

import click

from phasewright.app.terminal import DONE, FOLDER, JSON, NOT_USABLE, exit_code, finite, job, print_json, show_page


@click.command()
@FOLDER
@click.option("--open", "open_page", is_flag=True, help="Open the guide in the browser.")
@click.option("--package", "packed", is_flag=True, help="Also write one zip file from which others can check it all.")
@click.option("--pdf", is_flag=True, help="Also set the guide as PDF, its tables attached (extra: phasewright[pdf]).")
@JSON
@click.pass_context
def report(ctx: click.Context, folder: Path, open_page: bool, packed: bool, pdf: bool, as_json: bool) -> None:
    """Write the guide.

    One self-contained HTML file, and Markdown with its pictures as SVG and PNG, in DIR/guide; with --pdf also a tagged
    PDF. With --package also an open data package: bench, raw logs, results and guide in one zip file.
    """
    from phasewright.app import jobs

    with job(ctx) as progress:
        if pdf:
            jobs.require_pdf()
        analysis = jobs.analyze(folder, progress=lambda fraction, text: progress(0.5 * fraction, text))
        guide = jobs.report(folder, analysis=analysis, pdf=pdf, progress=progress)
        package = jobs.package(folder, analysis=analysis, progress=progress) if packed else None
    if as_json:
        figures = [str(path) for path in guide.figures]
        told = {"html": str(guide.html), "markdown": str(guide.markdown), "figures": figures}
        told |= {"pdf": str(guide.pdf)} if guide.pdf else {}
        print_json(told if package is None else {**told, "package": str(package.file), "sha256": package.sha256})
    else:
        click.echo(f"The guide      {guide.html}")
        if guide.pdf is not None:
            click.echo(f"PDF            {guide.pdf}")
        click.echo(f"Markdown       {guide.markdown}")
        click.echo(f"The pictures   {guide.folder / 'figures'}")
        if package is not None:
            click.echo(f"The package    {package.file}  ({len(package.files)} files, {package.size / 1e6:.2g} MB)")
            click.echo(f"  sha256       {package.sha256}")
            click.echo(f"\nAnybody can check it: phasewright verify {package.file.name}")
    if open_page:
        show_page(guide.html)
    ctx.exit(exit_code(analysis))


@click.command()
@click.argument("folders", type=click.Path(path_type=Path), nargs=-1, metavar="DIR DIR...")
@click.option("--same-instruments", is_flag=True, help="The same meters stood on all benches: their errors cancel.")
@click.option("--library", type=click.Path(file_okay=False, exists=True, path_type=Path), metavar="FOLDER",
              help="Ask every analyzed campaign below FOLDER instead; the options that follow put the question.")
@click.option("--quantity", default="loss", metavar="NAME", help="Figure that is compared, such as regulator_rise.  [loss]")
@click.option("--by", default="board", metavar="WHAT", help="What is compared: board, cooler, day, campaign.  [board]")
@click.option("--phases", default="", metavar="LIST", help="Phase counts: 3, or 8,6,4, or 3-6.")
@click.option("--load", default="", metavar="LOAD", help="'300 W' at the package or '250 A' on the rail, within 5 %.")
@click.option("--board", default="", metavar="TEXT", help="Only boards with TEXT in their name.")
@click.option("--cooler", default="", metavar="TEXT", help="Only coolers with TEXT in their name.")
@click.option("--since", default="", metavar="DAY", help="Only records from DAY on: 2031-03-04, 2031-03 or 2031.")
@click.option("--until", default="", metavar="DAY", help="Only records up to DAY.")
@click.option("--baseline", default="", metavar="NAME", help="Compare with this board, cooler, day or campaign.")
@JSON
@click.pass_context
def compare(ctx: click.Context, folders: tuple[Path, ...], same_instruments: bool, library: Path | None, as_json: bool,
            **words: str) -> None:
    """Compare campaigns with the first.

    The same settings on other boards, coolers or days, with uncertainty; tells real differences from noise. With
    --library one question is put to thousands of campaigns at once.
    """
    from dataclasses import asdict

    from phasewright.app import jobs

    if library is not None:
        if folders:
            raise click.UsageError("--library takes no DIR besides - campaigns are looked for below its FOLDER")
        _ask_library(ctx, library, words, as_json)
        return
    asked = [f"--{name}" for name, text in words.items() if text not in ("", "loss", "board")]
    if asked:
        raise click.UsageError(f"{', '.join(asked)} asks a library - add --library FOLDER, or leave it out")
    if len(folders) < 2 or len({folder.resolve() for folder in folders}) < len(folders):
        raise click.UsageError(f"{len(folders)} given - two or more different campaign folders are compared - add one")
    with job(ctx) as progress:
        found = jobs.compare(folders, same_instruments=same_instruments, progress=progress)
    if as_json:
        print_json(finite(asdict(found)))
    else:
        from phasewright.report import comparison_text

        click.echo(comparison_text(found), nl=False)
    ctx.exit(DONE if found.settings else NOT_USABLE)


def _ask_library(ctx: click.Context, folder: Path, words: dict[str, str], as_json: bool) -> None:
    """Print what every campaign below a folder says of one question."""
    from dataclasses import asdict

    from phasewright.app import jobs
    from phasewright.app.library_text import library_text

    with job(ctx) as progress:
        found = jobs.compare_library(folder, **words, progress=progress)
    if as_json:
        print_json({"format": "phasewright-library-1", **finite(asdict(found))})
    else:
        click.echo(library_text(found, folder), nl=False)
    ctx.exit(DONE if found.settings else NOT_USABLE)


@click.command()
@click.argument("package", type=click.Path(path_type=Path), metavar="PACKAGE")
@JSON
@click.pass_context
def verify(ctx: click.Context, package: Path, as_json: bool) -> None:
    """Prove a data package, or a record.

    Compares every fingerprint, analyzes the raw logs again and compares every number with those in the package. Of a
    campaign that was recorded here, every record of the journal is read again and each loss is one line.
    """
    from phasewright.app import jobs

    if (package / "journal").is_dir():
        from phasewright.app.recording_text import verified_text

        with job(ctx):
            record = jobs.verify_record(package)
        if as_json:
            print_json(record.as_dict())
        else:
            click.echo(verified_text(record))
        ctx.exit(record.exit_code)
    with job(ctx) as progress:
        found = jobs.verify(package, progress=progress)
    if as_json:
        print_json({"package": str(package), "proven": found.proven, "files": found.files, "numbers": found.numbers,
                     "differences": list(found.differences), "written_with": found.written_with})
    elif found.proven:
        click.echo(f"Proven: {found.files} files have their stated fingerprints, and the raw logs give the same "
                   f"{found.numbers} numbers and words again.")
    else:
        click.echo(f"Not proven: {found.files} files compared, {found.numbers} numbers and words compared")
        for text in found.differences:
            click.echo(f"  {text}")
    ctx.exit(DONE if found.proven else NOT_USABLE)
