"""All of them: a hundred, written before the messages that answer them."""

from tests.support.plausible_mistakes.line_clients import LINE_CLIENTS
from tests.support.plausible_mistakes.names import NAMES
from tests.support.plausible_mistakes.points import POINTS
from tests.support.plausible_mistakes.rigs import RIGS
from tests.support.plausible_mistakes.software import SOFTWARE
from tests.support.plausible_mistakes.typed import TYPED
from tests.support.plausible_mistakes.units import UNITS
from tests.support.plausible_mistakes.vehicles import VEHICLES

EVERY = [*RIGS, *NAMES, *SOFTWARE, *LINE_CLIENTS, *UNITS, *POINTS, *VEHICLES, *TYPED]
