"""The one door: ``stagewalk VERB``. Verbs are loaded when they are used, so that ``--help`` stays fast."""

from __future__ import annotations

import difflib
import importlib
import io
import os
import sys
from collections.abc import Sequence

import click

from acquisition.errors import BenchError
from analysis.app.terminal import tell

VERBS: dict[str, str] = {
    "demo": "The whole job on the simulated bench, over real SCPI.",
    "tube": "Base from below, heater pins, danger pins, ratings, what the type number says.",
    "expect": "Modelled volts per point with bands, gain and phase per stage.",
    "draw": "A chassis file as a drawing, to catch mistakes.",
    "bench": "Find, identify and check the instruments.",
    "survey": "Guided round of DC readings, hands free.",
    "watch": "One point for minutes or hours: warm-up, burn-in, what comes and goes.",
    "gain": "Gain and phase of a stage, at one frequency or over a sweep.",
    "check": "Verdict for each reading of a pass.",
    "suspects": "Ranked faults, estimate of the part, next reading.",
    "compare": "What changed between two passes, and is it significant.",
    "page": "The live bench page on this machine.",
    "note": "Customer, complaint, serial number, replaced parts, remarks.",
    "report": "One self-contained HTML file of a job.",
    "import": "Read readings from a CSV file into a job.",
    "export": "Write the readings of a job as CSV.",
    "list": "Jobs in a folder.",
}
"""Every verb with its one-line help; the module is ``analysis.app.verbs.VERB`` (``import_`` for ``import``)."""


EXAMPLES: dict[str, tuple[str, ...]] = {
    "demo": ("stagewalk demo --out try",),
    "tube": ("stagewalk tube 12AX7", "stagewalk tube EL84 --svg el84.svg"),
    "expect": ("stagewalk expect my-amp.yaml --mains 225", "stagewalk expect quayside-five"),
    "draw": ("stagewalk draw my-amp.yaml --out my-amp.svg",),
    "bench": ("stagewalk bench my-bench.yaml",),
    "survey": (
        "stagewalk survey amp.stagewalk --chassis my-amp.yaml --bench my-bench.yaml",
        "stagewalk survey amp.stagewalk --pass after-C2 --replaced C2=22n --mains 231",
    ),
    "watch": ("stagewalk watch amp.stagewalk V3.3 --minutes 30 --mains 231",),
    "gain": ("stagewalk gain amp.stagewalk first --sweep 20:20k", 'stagewalk gain amp.stagewalk "V1.2>V1.1"'),
    "check": ("stagewalk check amp.stagewalk", "stagewalk check --chassis my-amp.yaml readings.csv"),
    "suspects": ("stagewalk suspects amp.stagewalk", "stagewalk suspects --chassis my-amp.yaml readings.csv"),
    "compare": ("stagewalk compare amp.stagewalk as-found after-C2",),
    "page": ("stagewalk page amp.stagewalk --bench my-bench.yaml", "stagewalk page try.stagewalk --simulated"),
    "note": (
        'stagewalk note amp.stagewalk --customer "M. Okafor" --complaint "hums"',
        "stagewalk note amp.stagewalk --pass after-C2 --replaced C2=22n",
    ),
    "report": ('stagewalk report amp.stagewalk --found "C2 leaked" --pdf',),
    "import": (
        "stagewalk import amp.stagewalk by-hand.csv --pass as-found",
        "stagewalk import amp.stagewalk by-hand.csv --chassis my-amp.yaml --mains 231",
    ),
    "export": ("stagewalk export amp.stagewalk --out readings.csv --captures waves",),
    "list": ("stagewalk list jobs", "stagewalk list jobs --trend --serial 1234"),
}
"""What is typed, below the help of each verb; it fits 80 columns."""

FILES = (".stagewalk", ".yaml", ".yml", ".csv")


class _LazyGroup(click.Group):
    """A group whose commands are imported on first use."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(VERBS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in VERBS:
            return None
        name = "import_" if cmd_name == "import" else cmd_name
        command: click.Command = importlib.import_module(f"analysis.app.verbs.{name}").command
        command.epilog = "\n".join(["\b", "Examples:", *(f"  {line}" for line in EXAMPLES[cmd_name])])
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        if args and args[0] not in VERBS and not args[0].startswith("-"):
            near = difflib.get_close_matches(args[0].lower(), VERBS, n=2)
            hint = f"did you mean {' or '.join(near)}?" if near else f"one of {', '.join(VERBS)}"
            if args[0].endswith(FILES):
                hint = f"the verb comes first, such as stagewalk check {args[0]}"
            ctx.fail(f"no verb {args[0]!r}: {hint}")
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        # Written from the table, since asking each command for its help would import it.
        with formatter.section("Verbs"):
            formatter.write_dl(list(VERBS.items()))


@click.group(
    cls=_LazyGroup,
    subcommand_metavar="VERB ...",
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog="High voltage kills. Licensed practice, local codes and the instruments' manuals come first; "
    "this program never knows whether a circuit is dead.",
)
@click.version_option(package_name="stagewalk")
def stagewalk() -> None:
    """Measurement logger and fault finder for vacuum-tube audio amplifiers."""


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command.

    Parameters
    ----------
    argv : sequence of str, optional
        Arguments without the program's name; the process's own when left out.

    Returns
    -------
    int
        0 done, 1 the chassis disagrees with the model (``check`` only), 2 the user's mistake, 3 an instrument's
        fault, 130 interrupted.
    """
    for name in ("stdout", "stderr"):
        stream = getattr(sys, name)
        if stream is None:  # closed by whoever started us
            setattr(sys, name, open(os.devnull, "w", encoding="utf-8"))
        elif hasattr(stream, "reconfigure"):
            # A terminal that knows only ASCII gets a question mark instead of a crash.
            stream.reconfigure(errors="replace")
    try:
        code = _run(argv)
        sys.stdout.flush()  # here, and not when the interpreter ends, where nothing could be said about it
        return code
    except (click.Abort, KeyboardInterrupt):
        click.echo("stopped", err=True)
        return 130
    except BrokenPipeError:
        _drop_output()  # the reader of our output went away: nothing left to tell anyone
        return 0
    except OSError as error:
        tell(f"{error.filename or 'output'}: {error.strerror or error}", err=True)
        _drop_output()
        return 2


def _run(argv: Sequence[str] | None) -> int:
    # Not click's own `main`, which ends the process by itself when the reader of its output goes away.
    arguments = sys.argv[1:] if argv is None else list(argv)
    try:
        with stagewalk.make_context("stagewalk", arguments) as context:
            result = stagewalk.invoke(context)
    except click.exceptions.Exit as stop:
        return int(stop.exit_code)
    except click.ClickException as error:
        words = io.StringIO()
        error.show(words)
        tell(words.getvalue().rstrip("\n"), err=True)
        return 2
    except BenchError as error:
        tell(str(error), err=True)
        if error.hint:
            tell(f"  hint: {error.hint}", err=True)
        return error.exit_code
    return result if isinstance(result, int) else 0


def _drop_output() -> None:
    """Let the interpreter's last flush go nowhere instead of failing once more."""
    nowhere = os.open(os.devnull, os.O_WRONLY)
    for stream in (sys.stdout, sys.stderr):
        try:
            stream.flush()
        except OSError:
            os.dup2(nowhere, stream.fileno())
    os.close(nowhere)
