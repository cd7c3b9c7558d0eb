"""One plate of a session converted and remembered: what a worker loads and does.

Apart from the session, so that a worker does not load what only proof sheets and reports need.
"""

from __future__ import annotations

from platebench import convert
from platebench.plate_job import PlateJob, PlateResult
from platebench.session.record import record_aside, refuse_edited, write_record


def convert_and_record(job: PlateJob) -> PlateResult:
    """Convert one plate and write its record: the unit of work of a batch, on any machine.

    Raises
    ------
    PlateError
        If it cannot be converted, or somebody has changed its positive.
    """
    refuse_edited(job)
    with record_aside(job.record, job.positive):
        result = convert.convert_plate(job)
        if result.error:
            raise result.error
        return write_record(job, result)
