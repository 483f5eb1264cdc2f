"""
`spanwarden alarms`: what stands, its story, and what a person does about it.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Mapping
from contextlib import closing
from typing import Any

from pipeline.alarms.lifecycle import State
from pipeline.alarms.transition import REMOVED, Transition
from pipeline.cli.options import US, add_site, add_structure, cautions, local_time, site_of, table
from pipeline.site.models import Site
from pipeline.station.control import ask_worker
from pipeline.station.layout import Layout, layout_of, structure_of
from pipeline.store.ledger import open_reader

EXAMPLE = """example:
  spanwarden alarms --structure quill-deck
  spanwarden alarms show deck-strain.qd-g1-s2-bot --structure quill-deck
  spanwarden alarms ack deck-strain.qd-g1-s2-bot --structure quill-deck \\
      --by tomas-reedwater --comment "closed the lane, inspecting"

exit code 0: done, or nothing stands; 1: alarms stand, or the worker refused."""

ACTIONS = {
    "list": "alarms that are not normal (the default)",
    "show": "one alarm with its story",
    "history": "the journal's newest entries",
    "ack": "acknowledge: somebody has seen it and acts",
    "reset": "release a latched alarm after its condition has gone",
    "shelve": "set aside for a while, with a reason",
    "unshelve": "end the shelving",
}
COMMANDS = {"ack": "ack", "reset": "reset", "shelve": "shelve", "unshelve": "unshelve"}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Site, structure, action, alarm, who and why."""
    add_site(parser)
    add_structure(parser)
    described = "; ".join(f"{name}: {purpose}" for name, purpose in ACTIONS.items())
    parser.add_argument("action", nargs="?", default="list", choices=ACTIONS, help=described)
    parser.add_argument("alarm", nargs="?", default="", help="id, for example deck-high.D3")
    parser.add_argument("--by", default="", help="id of the person who acts (site.toml)")
    parser.add_argument("--comment", default="", help="what was seen or done")
    parser.add_argument("--hours", type=float, default=8.0, help="shelve: for how long")
    parser.add_argument("--last", type=int, default=30, help="history: how many entries")
    parser.add_argument("--json", action="store_true", help="for programs")


def run(options: argparse.Namespace) -> int:
    """Do what was asked."""
    site = site_of(options)
    layout = layout_of(site, structure_of(site, options.structure).id)
    if options.action in COMMANDS:
        return _act(options, layout)
    if options.action == "history":
        return _history(options, site, layout)
    stories = _stories(layout)
    if options.action == "show":
        return _show(options, site, stories)
    return _list(options, site, stories)


def _act(options: argparse.Namespace, layout: Layout) -> int:
    if not options.alarm or not options.by:
        print("name the alarm and, with --by, yourself.", file=sys.stderr)
        return 2
    command: dict[str, object] = {
        "kind": COMMANDS[options.action],
        "alarm": options.alarm,
        "by": options.by,
        "comment": options.comment,
    }
    if options.action == "shelve":
        command["until_us"] = time.time_ns() // 1000 + int(options.hours * 3600 * US)
    ok, text = ask_worker(layout.socket, command)
    print(text, file=sys.stdout if ok else sys.stderr)
    return 0 if ok else 1


def _stories(layout: Layout) -> dict[str, list[Transition]]:
    """By alarm, its transitions of the journal, oldest first."""
    stories: dict[str, list[Transition]] = {}
    with closing(open_reader(layout.ledger)) as ledger:
        since = 0
        while entries := ledger.journal(since=since, limit=5000):
            since = entries[-1].number
            for entry in entries:
                if entry.kind == "transition":
                    told = Transition.from_facts(entry.facts)
                    stories.setdefault(told.alarm, []).append(told)
    return stories


def _list(options: argparse.Namespace, site: Site, stories: dict[str, list[Transition]]) -> int:
    standing = [s[-1] for s in stories.values() if s[-1].after not in (State.NORMAL, REMOVED)]
    if options.json:
        print(json.dumps([t.to_facts() for t in standing], ensure_ascii=False))
        return 1 if standing else 0
    if not standing:
        print("No alarm stands. That does not mean that the structure is safe.")
        return 0
    order = {"critical": 0, "high": 1, "medium": 2, "low": 3}
    standing.sort(key=lambda t: (order.get(t.priority, 9), t.occurred_us))
    rows = [
        [t.priority, t.alarm, t.after, local_time(t.occurred_us, site.timezone), _value(t)]
        for t in standing
    ]
    print(table(["priority", "alarm", "state", "since", "value"], rows))
    print(f"\n{cautions()}")
    return 1


def _show(options: argparse.Namespace, site: Site, stories: dict[str, list[Transition]]) -> int:
    story = stories.get(options.alarm)
    if not story:
        print(f"{options.alarm} was never anything but normal.", file=sys.stderr)
        return 1
    for t in story:
        at_us = t.detected_us if t.by else t.occurred_us
        print(f"{local_time(at_us, site.timezone)}  {t.event}: {t.before} → {t.after}")
        for name, text in _particulars(t, site).items():
            print(f"    {name:<10} {text}")
    print(f"\n{cautions()}")
    return 0


def _particulars(t: Transition, site: Site) -> dict[str, str]:
    found = {
        "value": _value(t),
        "crossed": t.crossing.replace("_", " "),
        "detected": local_time(t.detected_us, site.timezone)
        if t.detected_us - t.occurred_us > US and not t.by
        else "",
        "detail": t.detail,
        "by": t.by,
        "comment": t.comment,
    }
    return {name: text for name, text in found.items() if text}


def _value(t: Transition) -> str:
    if t.value is None:
        return t.detail
    limit = "" if t.limit is None else f", limit {t.limit:g} {t.unit}"
    u = "" if t.u is None else f" ± {2 * t.u:.1f}"
    return f"{t.value:.1f}{u} {t.unit}{limit}"


def _history(options: argparse.Namespace, site: Site, layout: Layout) -> int:
    with closing(open_reader(layout.ledger)) as ledger:
        number, _ = ledger.head()
        entries = ledger.journal(since=max(0, number - options.last), limit=options.last)
        broken = ledger.verify()
    if options.json:
        for entry in entries:
            print(json.dumps({"number": entry.number, "kind": entry.kind, **entry.facts}))
    else:
        rows = [
            [
                str(e.number),
                local_time(e.recorded_us, site.timezone),
                e.kind,
                e.alarm,
                _told(e.facts),
            ]
            for e in entries
        ]
        print(table(["no.", "recorded", "kind", "alarm", "what"], rows, right=[0]))
    if broken is not None:
        print(f"The journal is broken at entry {broken}: it was edited.", file=sys.stderr)
        return 1
    return 0


def _told(facts: Mapping[str, Any]) -> str:
    if "before" in facts:
        return f"{facts['event']}: {facts['before']} → {facts['after']}"
    if "delivery" in facts:
        whom = f" to {facts['recipient']}" if facts.get("recipient") else ""
        return f"by {facts['delivery']}{whom}: {facts['outcome']}"
    if "kind" in facts:
        return f"{facts['kind']} by {facts['by']}: {facts['reply']}"
    return ", ".join(f"{k} {v}" for k, v in facts.items() if v not in ("", None, []))[:100]
