"""What is said of a pull, by flag, sidecar or bay.toml: what no instrument shows is refused by its name."""

import pytest

from service.bay.known import NotUnderstood, understood


@pytest.mark.parametrize("said", ["nan", "inf", "-inf", "1e999", "warm"])
@pytest.mark.parametrize("name", ["coolant", "gear", "humidity"])
def test_a_figure_must_be_a_number_that_can_be_written_down(name, said):
    with pytest.raises(NotUnderstood, match=f"{name} = '{said}'.*must be a number"):
        understood({name: said}, "--", "si")
