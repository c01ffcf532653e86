"""What drivers and backends promise, as checks that anybody's can be put through with one line.

    check_device(MyRangeSensor, {"address": 3}, samples=[((2915, 200), 0.5)])      # raises ContractError
    check_backend(lambda: MyBackend(address, rig), rig)

or, one test item a rule:

    @pytest.mark.parametrize("check", device_checks(MyRangeSensor), ids=str)
    def test_my_sensor(check): check()

Rule: no test framework is needed here; a check is a callable with a name.
"""

from robotcore.contract.backends import backend_checks, check_backend
from robotcore.contract.common import Check, ContractError
from robotcore.contract.devices import check_device, device_checks

__all__ = ["Check", "ContractError", "backend_checks", "check_backend", "check_device", "device_checks"]
