"""What the options of a check are called in a job file, for messages. After errors.

Readers and frames name options in their words, since they do not know who asks. Where a job file asked,
the pipeline puts the file's keys in their place, which is the one thing that its user can change.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager

from accuracy.errors import AccuracyError

KEYS = {
    "--checkpoints": "checkpoints.file",
    "--columns": "checkpoints.columns",
    "--unit": "checkpoints.unit",
    "--height-unit": "checkpoints.height_unit",
    "--decimal-mark": "checkpoints.decimal_mark",
    "--average-duplicates": "checkpoints.average_duplicates",
    "--survey-sigma-horizontal": "checkpoints.survey_sigma_horizontal",
    "--survey-sigma-height": "checkpoints.survey_sigma_height",
    "--checkpoints-crs": "checkpoints.crs",
    "--checkpoint-heights": "checkpoints.heights",
    "--crs": "frame.crs",
    "--cloud-unit": "frame.unit",
    "--cloud-height-unit": "frame.height_unit",
    "--cloud-heights": "frame.heights",
    "--geoid": "frame.geoid",
    "--grids": "frame.grids",
}
"""Options that a message of the readers and of the frames may name."""
_QUOTED = re.compile(r'("[^"]*")')
_OPTION = re.compile(
    # A value stands behind the option where an example gives one: --crs EPSG:25832, --columns id,e,n.
    r"(?<!\S)(\(?)(--[a-z]+(?:-[a-z]+)*)(?: (\S*[,:]\S*[\w-]|us-survey-foot|international-foot))?"
)


def as_keys(said: str) -> str:
    """A message with the keys of a job file for options; what stands in quotes is left as it is."""
    parts = _QUOTED.split(said)
    return "".join(part if k % 2 else _OPTION.sub(_key, part) for k, part in enumerate(parts))


def _key(found: re.Match[str]) -> str:
    before, option, value = found.groups()
    key = KEYS.get(option)
    if key is None:
        return found[0]
    return f"{before}{key}" if value is None else f'{before}{key} = "{value}"'


@contextmanager
def keys_in_errors() -> Iterator[None]:
    """Have the errors raised within name the keys of a job file."""
    try:
        yield
    except AccuracyError as error:
        error.what = as_keys(error.what)
        error.place = None if error.place is None else as_keys(error.place)
        error.remedy = None if error.remedy is None else as_keys(error.remedy)
        raise
