"""facetrace: the commands."""

import typer

from facetrace.cli import (
    angles,
    dichroscope,
    girdle,
    lot,
    mark,
    movie,
    new,
    orient,
    plan,
    recut,
    report,
    sheet,
    solid,
    trace,
    verify,
    view,
)
from facetrace.cli.usage import Commands
from facetrace.cli.version import version_text

app = typer.Typer(
    name="facetrace",
    cls=Commands,
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode="markdown",
    pretty_exceptions_enable=False,
    help="What a cut stone weighs and how it looks, from its angles and the real optics of its crystal.",
)
app.command("new", epilog=new.EXAMPLES)(new.new)
app.command("solid", epilog=solid.EXAMPLES)(solid.solid)
app.command("trace", epilog=trace.EXAMPLES)(trace.trace)
app.command("movie", epilog=movie.EXAMPLES)(movie.movie)
app.command("angles", epilog=angles.EXAMPLES)(angles.angles)
app.command("girdle", epilog=girdle.EXAMPLES)(girdle.girdle)
app.command("orient", epilog=orient.EXAMPLES)(orient.orient)
app.command("plan", epilog=plan.EXAMPLES)(plan.plan)
app.command("lot", epilog=lot.EXAMPLES)(lot.lot)
app.command("mark", epilog=mark.EXAMPLES)(mark.mark)
app.command("recut", epilog=recut.EXAMPLES)(recut.recut)
app.command("report", epilog=report.EXAMPLES)(report.report)
app.command("sheet", epilog=sheet.EXAMPLES)(sheet.sheet)
app.command("dichroscope", epilog=dichroscope.EXAMPLES)(dichroscope.dichroscope)
app.command("view", epilog=view.EXAMPLES)(view.view)
app.command("verify", epilog=verify.EXAMPLES)(verify.verify)


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(version_text())
        raise typer.Exit


@app.callback()
def _root(
    version: bool = typer.Option(
        False,
        "--version",
        callback=_version,
        is_eager=True,
        help="Print the versions of what matters.",
    ),
) -> None:
    return
