"""Commands about policies."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Any

import typer

from backupctl.cli.command import Json, JsonOption, facts_of_machine, moment_of, run_command


def register(app: typer.Typer) -> None:
    group = typer.Typer(help="What to capture, how, and how long to keep it.", no_args_is_help=True)
    group.command("explain")(explain)
    group.command("left-out")(left_out)
    app.add_typer(group, name="policy")


NameArgument = Annotated[
    str | None,
    typer.Argument(metavar="[NAME|FILE]", envvar="BACKUPCTL_POLICY", help="Which policy.", show_default="standard"),
]


def explain(
    name: NameArgument = None,
    as_of: Annotated[
        str | None,
        typer.Option("--as-of", metavar="TIME", help="Draw the calendar of that day.", show_default="today"),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Says what a policy does, and draws what it keeps."""
    from backupctl.cli.places import load_policy, policy_file

    policy, file = load_policy(name), policy_file(name)
    day = (moment_of(as_of) or facts_of_machine().now()).date()

    def task(reporter: Any, stop: Any) -> Json:
        from backupctl.operations.keeping.policies import explain as operation

        return operation(policy, file, day)

    run_command(task, _text, as_json)


def left_out(name: NameArgument = None, as_json: JsonOption = False) -> None:
    """Lists what a capture of files leaves out, each pattern with the reason."""
    from backupctl.cli.places import load_policy

    policy = load_policy(name)

    def task(reporter: Any, stop: Any) -> Json:
        from backupctl.operations.keeping.policies import left_out as operation

        return operation(policy)

    run_command(task, _listed, as_json)


def _listed(result: Json) -> str:
    from backupctl.cli.text import paragraph, printable

    lines = [paragraph(f"By policy {result['name']}, a capture of files leaves out:"), ""]
    for each in result["left_out"]:
        lines += [f"  {printable(each['pattern'])}", paragraph(each["why"], " " * 6)]
    if not result["left_out"]:
        lines.append("  nothing")
    if result["taken"]:
        lines += ["", "and takes all the same:", "", *(f"  {printable(each)}" for each in result["taken"])]
    return "\n".join(lines)


def _text(result: Json) -> str:
    from backupctl.cli.text import facts

    lines = [f"policy {result['name']}, in {result['file']}", ""]
    for section, words in result["words"].items():
        lines += [f"[{section}]", facts([(f"  {key}", said) for key, said in words.items()]), ""]
    return "\n".join([*lines, drawn(result)])


def drawn(result: Json) -> str:
    """What a policy keeps, as a calendar with words about it."""
    from backupctl.cli.text import paragraph
    from backupctl.domain.periods import day_words

    today, oldest = (date.fromisoformat(result[key]) for key in ("today", "oldest"))
    count = result["captures"]
    taken, dot = ("every night", "has gone") if result["every_night"] else ("as planned", "has gone, or was no night")
    if result["times_a_day"] > 1:
        taken += f", the last one of {result['times_a_day']}"
    there = f"{count['today']} {'is' if count['today'] == 1 else 'are'} there on {day_words(today, 0)}"
    same = count["fewest"] == count["most"]
    over_the_year = "as all the year" if same else f"over the year {count['fewest']} to {count['most']}"
    lines = [
        paragraph(f"Of captures taken {taken}, {there} ({over_the_year}), back to {day_words(oldest, 0)}:"),
        "",
        *result["calendar"],
        "",
        paragraph(
            "D, W, M, Y: stands for its day, week, month or year, the shortest where there are several. "
            f"+: is young, or among the newest. A dot: {dot}."
        ),
    ]
    return "\n".join(lines)
