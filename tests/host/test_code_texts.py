"""Every name the board can send has its sentence."""

import pytest
from evenfall.board import code_texts
from evenfall_wire import codes, settings

TABLES = [name for name in dir(codes) if name.isupper() and isinstance(getattr(codes, name), tuple)]


@pytest.mark.parametrize("table", TABLES)
def test_every_name_has_a_sentence_and_no_sentence_is_left_over(table):
    assert set(getattr(code_texts, table)) == set(getattr(codes, table))


def test_every_self_test_item_says_what_to_do():
    assert set(code_texts.SELF_TEST_ADVICE) == set(codes.SELF_TEST_ITEMS)


def test_every_setting_says_what_it_means():
    assert set(code_texts.SETTING_MEANINGS) == set(settings.BY_NAME)
    assert all(text.endswith(".") for text in code_texts.SETTING_MEANINGS.values())


def test_cautions_are_about_settings():
    assert set(code_texts.SETTING_CAUTIONS) <= set(settings.BY_NAME)


@pytest.mark.parametrize("table", ["FAULTS", "REFUSALS"])
def test_faults_and_refusals_are_whole_sentences(table):
    for name, sentence in getattr(code_texts, table).items():
        assert name == "none" or (sentence[0].isupper() and sentence.endswith("."))


def test_a_name_from_a_newer_board_is_shown_as_it_came():
    assert code_texts.say(code_texts.FAULTS, "fault 99") == "fault 99"


def test_the_button_has_a_meaning_in_every_state_and_a_reading_has_its_unit():
    assert set(code_texts.BUTTON) == set(codes.STATES)
    assert set(code_texts.SELF_TEST_READINGS) == set(codes.SELF_TEST_ITEMS)
    assert code_texts.self_test_reading("memory", "pass", 30_123) == "30,123 bytes free"
    assert code_texts.self_test_reading("air", "not_fitted", 0) == ""


def test_a_servo_that_does_not_answer_may_be_a_full_brake():
    """The board cannot tell them apart by the torque: a brake geared down to half the speed ends so."""
    assert "full brake" in code_texts.FAULTS["servo_no_answer"]
