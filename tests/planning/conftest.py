import pytest

from oyez.settings import use_packaged_zone_rules


@pytest.fixture(autouse=True, scope="session")
def _packaged_zone_rules():
    """The tzdata package is the one source of zone rules, as in the service."""
    use_packaged_zone_rules()
