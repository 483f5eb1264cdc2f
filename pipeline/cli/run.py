"""
`spanwarden run`: the supervisor with its workers, or one worker in its care.
"""

from __future__ import annotations

import argparse
import os
from functools import partial

from pipeline.cli.options import add_site, site_of
from pipeline.site.models import Site
from pipeline.station.alone import tell_alone
from pipeline.station.logs import flush_logs, start_logging
from pipeline.station.supervisor import Supervisor, worker_command

EXAMPLE = """example:
  spanwarden run --site config/quillmere
  spanwarden run --site config/quillmere --structure quill-deck

Logs go to stderr, one JSON line an event. SIGTERM ends it within 5 s with nothing lost."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Site, structures, log level."""
    add_site(parser)
    parser.add_argument(
        "--structure", action="append", help="only this structure; may be given several times"
    )
    parser.add_argument("--log-level", default="INFO", choices=["DEBUG", "INFO", "WARNING"])
    parser.add_argument("--worker", help=argparse.SUPPRESS)


def run(options: argparse.Namespace) -> int:
    """Run until a stop signal comes."""
    # One BLAS thread a worker: two workers on two cores would fight for them.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    site = site_of(options)
    start_logging(options.log_level)
    if options.worker:
        # Imported here: the supervisor needs neither Arrow nor the MQTT client.
        from pipeline.station.worker import Worker

        worker = Worker(site, options.worker)
        code = worker.run()
        if worker.is_busy:
            # The interpreter would wait for the job's thread; a seal is safe to be killed.
            flush_logs()
            os._exit(code)
        return code
    return _supervise(site, options.structure or [s.id for s in site.structures])


def _supervise(site: Site, structures: list[str]) -> int:
    supervisor = Supervisor(
        structures,
        lambda structure: worker_command(site.folder, structure),
        partial(_tell, site),
    )
    return supervisor.run()


def _tell(site: Site, structure: str, text: str) -> None:
    tell_alone(site, structure, text, os.environ)
