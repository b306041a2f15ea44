"""Whose secret it is: a login is known at both its ends (common practice)."""

import pytest

from auditor.inventory.secrets import Use, users_of

BROKER_LOGIN = Use("light", "broker")
WEB_LOGIN = Use("phone", "light")


@pytest.mark.parametrize(
    ("uses", "users"),
    [
        ([BROKER_LOGIN], {"light"}),
        ([WEB_LOGIN, Use("laptop", "light")], {"light"}),
        ([BROKER_LOGIN, WEB_LOGIN], {"light"}),
        ([BROKER_LOGIN, Use("twin", "broker")], {"light", "twin"}),
        ([WEB_LOGIN, Use("phone", "twin")], {"light", "twin"}),
        ([WEB_LOGIN, Use("twin", "broker")], {"light", "twin", "broker"}),
        ([Use("light", "")], {"light"}),
    ],
    ids=[
        "own login",
        "two people at one light",
        "one password for broker and web page",
        "two lights at one broker",
        "one phone at two lights",
        "two lights in two ways",
        "outside",
    ],
)
def test_partners_of_a_login_are_no_further_users(uses, users):
    assert users_of("light", uses) == users
