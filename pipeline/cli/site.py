"""``init``, ``run``, ``watch``, ``status``, ``requeue``: a site and its service. Hidden: the service's children."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from pipeline.cli.exits import ACCEPTED, INTERRUPTED, command, exit_code
from pipeline.errors import UsageError


def add_to(commands: Any) -> None:
    """Register the commands."""
    init = command(commands, "init", _init, "a new site with a commented site.yaml")
    run = command(commands, "run", _run, "work off what lies in the inbox now, write the report, end")
    watch = command(commands, "watch", _watch, "the service: look at arrivals at once, work in the site's hours")
    status = command(commands, "status", _status, "queue, running jobs, what came out last night")
    status.add_argument("--json", action="store_true")
    requeue = command(commands, "requeue", _requeue, "work a finished job again from its kept captures")
    for parser in (init, run, watch, status, requeue):
        parser.add_argument("site", type=Path, metavar="SITE")
    requeue.add_argument("job", metavar="JOB")
    requeue.add_argument("--recipe", metavar="FILE", help="with this recipe instead: a file, or a name")
    night = command(commands, "write-night", _write_night, None)
    night.add_argument("site", type=Path)
    night.add_argument("night")
    look = command(commands, "look", _look, None)
    look.add_argument("order", type=Path)


def _init(options: Any) -> int:
    from pipeline.service.start import make_site

    make_site(options.site)
    print(
        f"{options.site}: a new site. Read {options.site / 'site.yaml'}, drop jobs into {options.site / 'inbox'}, then:"
    )
    print(f"  nightmill run {options.site}      works off what lies there, and ends")
    print(f"  nightmill watch {options.site}    goes on watching")
    return ACCEPTED


def _run(options: Any) -> int:
    from pipeline.cli.night import print_night, run_night

    night = run_night(options.site)
    print_night(options.site, night)
    if night.stopped:
        return INTERRUPTED
    return exit_code([turn.manifest for turn in night.turns if turn.manifest is not None])


def _watch(options: Any) -> int:
    from pipeline.service.log import begin_log
    from pipeline.service.start import serve, service
    from pipeline.site import open_site

    begin_log()
    with service(open_site(options.site), "watch") as supervisor:
        serve(supervisor)
    return ACCEPTED


def _requeue(options: Any) -> int:
    from pipeline.service.journal import Journal
    from pipeline.service.lock import is_served
    from pipeline.service.requeue import requeue
    from pipeline.site import open_site

    site = open_site(options.site)
    if not site.journal.is_file():
        raise UsageError(f"{site.root} has worked no job yet.", "Drop one into its inbox.")
    requeue(site, Journal(site.journal), options.job, options.recipe)
    when = "by the service" if is_served(site) else f"with: nightmill run {options.site}"
    print(f"{options.job}: in the queue again; it is worked {when}")
    return ACCEPTED


def _status(options: Any) -> int:
    from pipeline.service.status import status_of
    from pipeline.site import open_site

    status = status_of(open_site(options.site))
    if options.json:
        print(json.dumps(status, indent=1, ensure_ascii=False))
    else:
        _print_status(status)
    return ACCEPTED


def _print_status(status: dict[str, Any]) -> None:
    from pipeline.service.status import waiting_lines

    served = f"served by process {status['service']['pid']} on {status['service']['host']}" if status["service"] else ""
    print(f"{status['site']}: {served or 'no service runs'}; hours {status['hours']}")
    for problem in status["problems"]:
        print(f"  ! {problem}")
    for title, lines in (
        (
            "running",
            [f"{r['job']}: {r['step']} ({r['place'] + 1}/{r['of']}), {r['seconds']} s" for r in status["running"]],
        ),
        *waiting_lines(status).items(),
        ("not worked twice", [f"{r['job']}: {r['text']}" for r in status["repeated"]]),
        ("last night", [f"{j['job']}: {j['outcome']}{': ' + j['text'] if j['text'] else ''}" for j in status["night"]]),
    ):
        if lines:
            print(f"{title}:")
            print("\n".join(f"  {line}" for line in lines))
    counts = ", ".join(f"{count} {state}" for state, count in sorted(status["jobs"].items()))
    print(f"jobs: {counts or 'none yet'}")


def _write_night(options: Any) -> int:
    from pipeline.report.night import write_night
    from pipeline.report.state import present_state
    from pipeline.service.status import status_of, waiting_lines
    from pipeline.site import open_site

    status = status_of(open_site(options.site))
    waiting = [line for lines in waiting_lines(status).values() for line in lines]
    write_night(options.site, options.night, state=present_state(options.site, waiting, status["problems"]))
    return ACCEPTED


def _look(options: Any) -> int:
    """Limits first: the libraries count processors when they are loaded."""
    from pipeline.service.limits import Limits

    order = json.loads(options.order.read_text(encoding="utf-8"))
    Limits.model_validate(order["limits"]).apply()
    from pipeline.service.look import look_at_all
    from pipeline.service.triage import LookOrder

    look_at_all(LookOrder.model_validate(order), lambda said: print(json.dumps(said), flush=True))
    return ACCEPTED
