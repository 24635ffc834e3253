"""The course of `begin`: from one step to the next, each shown and agreed to, tried again, or left out."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

from backupctl.board.config_file import write_config
from backupctl.board.host import board_name
from backupctl.cli import begin_like, begin_view, drill_view, policies, render, sheet_page, telling, text, timers_view
from backupctl.cli.begin_course import Course, Ended, StepFailed
from backupctl.cli.begin_share import share_step
from backupctl.cli.command import stall_of
from backupctl.cli.places import called_as, known_policies, load_policy, policy_file, policy_words, program
from backupctl.domain.errors import BackupctlError, Exit, of_system, worst
from backupctl.domain.names import checked_board
from backupctl.domain.policy import Policy
from backupctl.operations.capturing.capture import CaptureOptions
from backupctl.operations.capturing.capture_onto import capture_onto
from backupctl.operations.capturing.estimate import estimate
from backupctl.operations.capturing.subject import Subject
from backupctl.operations.exit_codes import of_capture, of_drill, of_telling
from backupctl.operations.fleet.beginning import (
    BOARD,
    CAPTURE,
    DONE,
    DRILL,
    MESSAGE,
    POLICY,
    SHARE,
    SHEET,
    TIMER,
    Wish,
    sheet_file,
    standing,
    ways_of,
)
from backupctl.operations.fleet.boards_seen import ANOTHERS
from backupctl.operations.fleet.sheet import sheet
from backupctl.operations.keeping.policies import explain, listed
from backupctl.operations.nights import timer
from backupctl.operations.nights.notify import try_ways
from backupctl.operations.pacing import step_aside
from backupctl.operations.preflight.check import REFUSE
from backupctl.operations.preflight.run import preflight
from backupctl.operations.proving.drill import DrillOptions, drill
from backupctl.operations.shares.adopt import adopt
from backupctl.share.shelf import open_shelf

Json = dict[str, Any]

_PREFLIGHT_STALL = 180.0  # seconds; longer than any one of its checks may wait


class Guide:
    """One run of `begin`."""

    def __init__(self, course: Course, wish: Wish) -> None:
        self.course = course
        self.wish = wish
        self.codes: list[Exit] = []
        self.found: Json = {}
        self._steps: dict[str, Callable[[], None]] = {
            SHARE: self._share,
            BOARD: self._board,
            POLICY: self._policy,
            CAPTURE: self._capture,
            TIMER: self._timer,
            MESSAGE: self._message,
            DRILL: self._drill,
            SHEET: self._sheet,
        }

    def look(self) -> Json:
        """Where everything stands. Raises StepFailed, Ended."""
        wish, world = self.wish, self.course.world
        self.found = self.course.work(lambda reporter, _: standing(wish, world, reporter))
        return self.found

    def run(self) -> Exit:
        """Everything that is to be done. Raises StepFailed, Ended, BackupctlError."""
        talk = self.course.talk
        self.look()
        talk.tell(begin_view.OPENING)
        talk.say(begin_view.overview(self.found))
        if self.course.given.like is not None:
            self._like(self.course.given.like)
        for name, do in self._steps.items():
            step = self._step(name)
            talk.say(begin_view.head(step, len(self._steps)))
            if step["state"] != DONE:
                self._until_done(name, do)
        talk.say(begin_view.closing(self.found, self._folder(), called_as()))
        return worst(self.codes)

    def _step(self, name: str) -> Json:
        return next(step for step in self.found["steps"] if step["name"] == name)

    def _look_again(self, name: str) -> Json:
        self.look()
        return self._step(name)

    def _until_done(self, name: str, do: Callable[[], None]) -> None:
        """Once more, if it is wanted so, after each time that it comes to nothing."""
        talk = self.course.talk
        while True:
            try:
                do()
                step = self._look_again(name)
                if name in begin_view.SKIPPED or step["state"] == DONE:
                    return
                self.course.view.error(step["words"], "")
                code = Exit.REFUSED
            except StepFailed as failed:
                code = failed.code
            except (BackupctlError, OSError) as error:
                told = of_system(error)
                self.course.view.error(told.cause, told.hint)
                code = told.exit_code
            if talk.agreed:
                raise Ended(code)
            answers = ("again", "skip", "quit") if name in begin_view.SKIPPED else ("again", "quit")
            said = talk.choose("Try this step again?", answers, None)
            if said == "quit":
                raise Ended(code)
            if said == "skip":
                self._skip(name)
                return
            self.look()

    def _skip(self, name: str) -> None:
        self.course.talk.tell(begin_view.SKIPPED[name])
        self.codes.append(Exit.WARNINGS)

    def _agreed(self, question: str, name: str) -> bool:
        """Whether to do the step that was shown; False once it is left out. Raises Ended."""
        said = self.course.talk.choose(question, ("yes", "skip", "quit"), "yes")
        if said == "quit":
            raise Ended(Exit.REFUSED)
        if said == "skip":
            self._skip(name)
        return said == "yes"

    def _folder(self) -> str:
        """The share, which is there by now."""
        return str(self.found["share"])

    def _chosen(self) -> Policy:
        return load_policy(self.found["policy"])

    def _card(self) -> Path | None:
        return Subject(self.wish.source).card(self._chosen())

    def _like(self, board: str) -> None:
        """Asks for all that is missing, shows all that will be done, and has it agreed to at once."""
        self.wish = begin_like.agree(self.course, self.wish, self.found, board)
        self.course.talk.agreed = True
        self.look()

    # The steps

    def _share(self) -> None:
        self.wish = replace(self.wish, share=share_step(self.course, self.found))

    def _board(self) -> None:
        talk, seen, folder = self.course.talk, self.found["seen"], Path(self._folder())
        talk.say(begin_view.boards(seen))
        proposed = self.found["board"] or self.found["proposed"]
        while True:
            name = checked_board(talk.ask(self.wish.board, "--board", "Name of this board", proposed))
            taken = any(board["name"] == name and board["whose"] == ANOTHERS for board in seen["boards"])
            if taken:
                talk.say(begin_view.anothers(name))
            else:
                talk.say(begin_view.to_be_made(self._folder(), name, seen))
            said = talk.choose(f"Is this {name}?" if taken else "Make it?", ("yes", "other", "quit"), "yes")
            if said == "yes":
                break
            if said == "quit":
                raise Ended(Exit.REFUSED)
            talk.forget("--board")
            self.wish = replace(self.wish, board=None)
        chosen, facts = load_policy(self.wish.policy), self.course.world.facts
        result = self.course.work(lambda *_: adopt(folder, name, self.wish.same_machine, chosen, facts))
        notes = [text.paragraph(f"note: {note}") for note in result["notes"]]
        talk.say("\n".join([f"{result['board']} has its shelf.", *notes]))
        self.wish = replace(self.wish, board=name)

    def _policy(self) -> None:
        talk, facts = self.course.talk, self.course.world.facts
        talk.say(begin_view.policies(list(_policies_in_lines())))
        while True:
            name = talk.ask(self.wish.policy, "--policy", "Which policy (a name, or a file)", "standard")
            policy, file = load_policy(name), policy_file(name)
            talk.say(policies.drawn(explain(policy, file, facts.now().date())))
            said = talk.choose(f"Take {policy.name}?", ("yes", "other", "quit"), "yes")
            if said == "yes":
                break
            if said == "quit":
                raise Ended(Exit.REFUSED)
            talk.forget("--policy")
        self.wish = replace(self.wish, policy=policy_words(name))

    def _capture(self) -> None:
        talk, facts, policy = self.course.talk, self.course.world.facts, self._chosen()
        folder, board, subject = Path(self._folder()), self.found["board"], Subject(self.wish.source)
        result = self.course.work(
            lambda reporter, _: preflight(folder, board, subject, policy, facts, reporter, ahead=estimate),
            _PREFLIGHT_STALL,
        )
        talk.say(begin_view.findings(result["checks"]))
        if any(check["result"] == REFUSE for check in result["checks"]):
            raise StepFailed(Exit.REFUSED)
        talk.say(begin_view.ahead(result))
        if not self._agreed("Take it now?", CAPTURE):
            return

        def task(reporter: Any, stop: Any) -> Json:
            step_aside(policy.pace, reporter)
            return capture_onto(folder, board, CaptureOptions(self.wish.source, policy), facts, reporter, stop)

        taken = self.course.work(task, stall_of(policy))
        talk.say(render.capture(taken))
        self.codes.append(of_capture(taken))

    def _timer(self) -> None:
        talk, world, policy = self.course.talk, self.course.world, self._chosen()
        folder, board, words = Path(self._folder()), self.found["board"], policy_words(self.found["policy"])
        if self.wish.source is None:
            self._card()  # where it is not to be told, each night would fail

        def task(shown_only: bool) -> Json:
            command = timer.night_command(program(), folder, board, words, self.wish.source)
            options = timer.InstallOptions(timers_view.question, yes=True, dry_run=shown_only)
            return self.course.work(
                lambda reporter, _: timer.install(command, policy, options, world.systemd, world.facts, reporter)
            )

        plan = task(shown_only=True)
        if plan["crontab"]:
            talk.say(begin_view.crontab(plan["crontab"]))
            self.codes.append(Exit.WARNINGS)
            return
        talk.say(timers_view.to_be_installed(plan, "the answer `texts`"))
        while (said := talk.choose("Install it?", ("yes", "texts", "skip", "quit"), "yes")) == "texts":
            talk.say(timers_view.texts(plan))
        if said == "quit":
            raise Ended(Exit.REFUSED)
        if said == "skip":
            self._skip(TIMER)
        else:
            talk.say(timers_view.installed(task(shown_only=False)))

    def _message(self) -> None:
        talk, facts, policy = self.course.talk, self.course.world.facts, self._chosen()
        ways = ways_of(policy.notify)
        if not ways:
            talk.say(begin_view.nobody_told(policy.name, str(policy_file(self.found["policy"]))))
            self.codes.append(Exit.WARNINGS)
        elif self._agreed(f"Send a test message by {', '.join(ways)}?", MESSAGE):
            board = self.found["board"] or board_name()
            result = self.course.work(lambda *_: try_ways(policy, board, facts))
            talk.say(telling.told_text(result))
            if of_telling(result) != Exit.DONE:
                raise StepFailed(of_telling(result))

    def _drill(self) -> None:
        talk, facts, policy = self.course.talk, self.course.world.facts, self._chosen()
        folder, board = Path(self._folder()), self.found["board"]
        if self._step(CAPTURE)["state"] != DONE:
            talk.tell("There is no good capture yet that one could be made of.")
            self._skip(DRILL)
            return

        def task(shown_only: bool) -> Json:
            options = DrillOptions(scratch=Path(policy.night.scratch), dry_run=shown_only)
            return self.course.work(
                lambda reporter, stop: drill(open_shelf(folder, board), options, facts, reporter, stop)
            )

        talk.say(text.facts(drill_view.room_of(task(shown_only=True)["plan"])))
        if self._agreed("Make a drill now?", DRILL):
            result = task(shown_only=False)
            talk.say(drill_view.drill(result))
            self.codes.append(of_drill(result))

    def _sheet(self) -> None:
        talk, now, file = self.course.talk, self.course.world.facts.now(), sheet_file(self.course.world.root)
        folder, board = Path(self._folder()), self.found["board"]
        if self._step(CAPTURE)["state"] != DONE:
            talk.tell("There is no good capture yet that it could be about.")
            self._skip(SHEET)
        elif self._agreed(f"Write it, as {file}?", SHEET):
            result = self.course.work(lambda *_: sheet(folder, board, now))
            write_config(file, sheet_page.page(result).encode(), 0o644)
            talk.say(begin_view.sheet_written(str(file)))


def _policies_in_lines() -> Iterator[Json]:
    for name in known_policies():
        try:
            yield listed(load_policy(name), policy_file(name))
        except BackupctlError as error:
            yield {"name": name, "when": "-", "about": f"It cannot be used: {error.cause}.", "keeps": "nothing"}
