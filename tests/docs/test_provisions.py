"""Every provision of ETSI EN 303 645 V3.1.3 that a recording can touch is answered, or it is said why not."""

from tests.docs.provisions import NO_RULE, answering, shown, table, touched


def test_every_provision_is_answered_or_excused():
    clauses = [row["id_v3_1_3"] for row in touched()]

    assert len(clauses) == 25  # 4 of class a and 21 of class b, counted in the standard's table B.1
    assert [clause for clause in clauses if clause not in answering() and clause not in NO_RULE] == []


def test_no_excuse_for_what_a_rule_answers():
    assert set(NO_RULE) & set(answering()) == set()
    assert set(NO_RULE) <= {row["id_v3_1_3"] for row in touched()}


def test_page_shows_the_table():
    """``python -m tests.docs.provisions`` renews what fails here."""
    assert shown() == table()
