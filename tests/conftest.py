"""How hard the property tests look: as CI does by default, or `HYPOTHESIS_PROFILE=thorough` by hand."""

import os

from hypothesis import HealthCheck, Phase, settings

# A story takes milliseconds to tell and to judge, so a law is tried on fewer of them than is usual.
_SHARED = settings(
    deadline=None,
    suppress_health_check=(HealthCheck.too_slow, HealthCheck.data_too_large, HealthCheck.filter_too_much),
    phases=(Phase.explicit, Phase.reuse, Phase.generate, Phase.shrink),
)

settings.register_profile("ci", _SHARED, derandomize=True, database=None, max_examples=40)
settings.register_profile("thorough", _SHARED, max_examples=2000)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "ci"))
