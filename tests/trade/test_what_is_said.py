"""The sentences of the rules are those of the page that people have read."""

from tests.trade.what_is_said import PAGE, page


def test_the_page_holds_what_the_rules_say() -> None:
    assert page() == PAGE.read_text(), "a sentence has changed: run `make words` and read the difference"
