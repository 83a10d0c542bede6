"""The statements of the clauses about discovery, memory, counts and the clock, each with the cases that try it.

A clause holds several statements, and a case that cites it may try one of them. A statement is a sentence of it;
here it stands by its first words. ``NOT_SEEN`` holds statements that no case can show, with the reason.
``python -m tests.conformance.statements.table`` prints every clause with the number of its statements and its cases.
"""

from __future__ import annotations

import ast
import re
import sys
from pathlib import Path
from typing import Final

import busproto.conformance.suite
from busproto.conformance.clauses import CLAUSES

SUITE: Final = Path(busproto.conformance.suite.__path__[0])
_END: Final = re.compile(r"(?<=[.;]) (?=[A-Z`])")

ANY_CLOCK: Final = "test_the_same_is_said_whatever_the_clock_reads"

TRIED: Final[dict[str, dict[str, tuple[str, ...]]]] = {
    "line.clock": {
        "An actuator keeps every time": (ANY_CLOCK, "test_all_goes_as_at_first"),
        "The clock MUST be right to 1 %": ("test_with_a_clock_off_by_one_percent_too",),
        "A clock that counts whole microseconds": ("test_it_starts_at_any_count_of_its_clock",),
    },
    "line.boot": {
        "From `boot`": ("test_after_the_time_to_boot_it_takes_in_the_first_request", "test_many_commits_count_on"),
        "What it does with requests before": ("test_while_it_starts_it_says_nothing_unasked",),
    },
    "frame.counts": {
        "`good_frames` of a report counts": (
            "test_what_counts_as_good_and_what_as_bad",
            "test_good_frames_wrap_around",
        ),
        "`bad_frames` counts the pieces": ("test_what_counts_as_good_and_what_as_bad", "test_bad_frames_wrap_around"),
        "Empty pieces do not count": ("test_empty_pieces_are_ignored", "test_what_counts_as_good_and_what_as_bad"),
    },
    "does.latest": {
        "A reply that has not begun gives way": (
            "test_a_reply_that_waits_gives_way_to_that_of_a_later_request",
            "test_a_reply_that_waits_does_not_give_way_to_what_has_no_reply",
        ),
        "Answers of discovery and of a report round": (
            "test_a_reply_that_waits_for_the_store_and_an_answer_to_a_call_both_come",
        ),
        "An answer of discovery or of a report round": (
            "test_a_later_request_to_all_ends_the_wait",
            "test_a_later_request_to_it_alone_ends_the_wait_and_is_answered",
            "test_what_is_no_request_to_it_ends_no_wait",
        ),
    },
    "does.store": {
        "For commit and assign t counts": ("test_storing_takes_no_longer_than_it_may",),
        "The reply tells that the new set is whole": (
            "test_it_answers_a_commit_when_the_set_is_whole",
            "test_it_answers_an_assign_when_the_address_is_stored",
        ),
        "While it writes": ("test_while_it_stores_it_takes_in_requests_and_replies",),
    },
    "does.age": {
        "`demand_age_ms` counts": (
            "test_a_valid_demand_begins_the_age_anew",
            "test_what_is_no_valid_demand_leaves_the_age",
        ),
        "It is 65535 for longer ages": (
            "test_an_age_stays_at_its_most_for_ever",
            "test_without_any_demand_there_is_never_an_age",
            "test_what_forgets_the_age",
        ),
    },
    "find.hash": {
        "H(uid, salt, epoch) has 32 bits": ("test_its_digests_are_those_of_the_hash",),
        "Then h +=": ("test_its_digests_are_those_of_the_hash", "test_its_bytes_are_those_of_the_hash"),
        "From h come": (
            "test_its_slot_of_any_number_of_slots_is_that_of_the_hash",
            "test_its_digests_are_those_of_the_hash",
            "test_its_bytes_are_those_of_the_hash",
            "test_an_unlisted_byte_is_never_zero",
        ),
        "Salt and epoch are those": ("test_its_bytes_are_those_of_the_hash", "test_any_number_may_be_an_epoch"),
    },
    "find.first": {
        "The first slot begins": ("test_it_begins_within_its_slot",),
        "A query is the frame itself": ("test_its_slot_of_any_number_of_slots_is_that_of_the_hash",),
    },
    "find.backoff": {
        "An actuator that is to answer sets": ("test_its_slot_of_any_number_of_slots_is_that_of_the_hash",),
        "The counter falls by one": ("test_a_busy_line_stops_the_backoff", "test_a_busy_line_stops_a_count_in_order"),
        "At zero the actuator waits": ("test_it_begins_within_its_slot",),
        "In a roll call a slot": ("test_its_slot_of_any_number_of_slots_is_that_of_the_hash",),
    },
    "find.sense": {
        "A start bit stops the count": (
            "test_a_busy_line_stops_the_backoff",
            "test_a_busy_line_stops_a_count_in_order",
        ),
        "When the line is idle again": ("test_it_waits_out_several_that_speak_before_it",),
        "A counter that stands at zero": ("test_a_line_that_gets_busy_again_and_again_is_waited_out",),
    },
    "find.position": {
        "Where answers come in order": (
            "test_in_parts_of_any_size_it_answers_at_its_position",
            "test_a_report_round_is_for_the_addresses_of_its_row",
        ),
        "All else is as in a roll call": ("test_a_busy_line_stops_a_count_in_order",),
    },
    "find.epoch": {
        "An actuator remembers one epoch": (
            "test_another_epoch_ends_the_acknowledgement_and_it_does_not_come_back",
            "test_the_same_epoch_again_leaves_the_acknowledgement",
        ),
        "A roll call that it takes in": (
            "test_another_epoch_ends_the_acknowledgement_and_it_does_not_come_back",
            "test_another_epoch_of_the_extension_ends_the_acknowledgement_too",
            "test_a_call_that_it_does_not_take_in_sets_no_epoch",
            "test_a_suppress_for_another_sets_no_epoch",
            "test_what_sets_no_epoch_leaves_the_acknowledgement",
        ),
        "Where that is another epoch": (
            "test_another_epoch_ends_the_acknowledgement_and_it_does_not_come_back",
            "test_another_epoch_forgets_the_call_that_it_answered",
        ),
        "A restart forgets all": (
            "test_a_restart_forgets_the_acknowledgement",
            "test_a_restart_forgets_the_call_that_it_answered",
            "test_a_restart_forgets_the_parts_that_it_heard",
        ),
    },
    "find.acknowledge": {
        "The call that counts": (
            "test_a_digest_of_the_call_before_the_last_one_does_not_acknowledge_it",
            "test_a_call_that_it_did_not_come_to_answer_takes_the_place_of_the_one_before",
        ),
        "An actuator that began": (
            "test_its_digest_counts_wherever_it_stands",
            "test_a_digest_of_a_call_that_it_did_not_answer_does_not_acknowledge_it",
            "test_any_salt_makes_the_digest",
        ),
        "Calls without slots acknowledge": ("test_a_call_without_slots_leaves_the_call_that_counts",),
        "Each call with slots takes its place": (
            "test_a_call_that_it_did_not_come_to_answer_takes_the_place_of_the_one_before",
            "test_a_call_to_another_address_does_not_take_the_place_of_the_one_that_counts",
        ),
        "An acknowledged actuator MUST NOT": ("test_a_call_to_it_alone_counts_and_acknowledges_as_one_to_all",),
    },
    "find.list": {
        "An actuator finds its position": ("test_a_digest_of_another_salt_or_epoch_is_not_its_own",),
        "Its answer is the list byte": ("test_in_the_list_it_answers_at_its_position",),
        "An actuator that is not in the list": (
            "test_not_in_the_list_it_answers_behind_the_last_position",
            "test_an_unlisted_actuator_draws_each_of_the_four_slots_anew_each_time",
        ),
        "The actuator that found": ("test_an_acknowledgement_by_list_lasts_until_a_list_without_it",),
        "Both hold for an address list": ("test_an_acknowledgement_by_list_lasts_until_a_list_without_it",),
    },
    "find.parts": {
        "Parts of one list have equal": (
            "test_a_part_with_other_values_begins_another_list",
            "test_what_comes_between_two_parts_does_not_tear_the_list",
        ),
        "A part with first = 0": (
            "test_a_first_part_begins_anew_whatever_came_before",
            "test_parts_of_two_lists_do_not_make_one",
        ),
        "A list is whole": ("test_where_the_list_was_not_whole_one_that_is_in_no_part_says_nothing",),
        "The part with first + digests": ("test_in_parts_of_any_size_it_answers_at_its_position",),
        "An actuator whose digest stood": ("test_where_the_list_was_not_whole_one_that_is_in_a_part_answers",),
        "One whose digest did not": (
            "test_in_no_part_of_a_whole_list_it_answers_behind_the_last_position",
            "test_where_the_list_was_not_whole_one_that_is_in_no_part_says_nothing",
            "test_one_that_missed_a_part_keeps_its_acknowledgement",
        ),
    },
    "find.twice": {
        "Where a digest stands twice": ("test_where_its_digest_stands_twice_the_first_position_counts",),
        "Where it stands in two parts": (
            "test_where_its_digest_stands_in_two_parts_the_later_one_counts",
            "test_where_its_digest_stands_in_three_parts_the_latest_first_position_counts",
        ),
    },
    "find.jitter": {"The start jitter differs": ("test_the_jitter_differs_from_time_to_time",)},
    "find.addresses": {
        "In an address list bit": ("test_the_bit_of_each_address_is_where_the_page_says",),
        "An actuator whose address is marked": ("test_the_bit_of_each_address_is_where_the_page_says",),
        "Every other one": (
            "test_without_an_address_it_is_unlisted_to_every_address_list",
            "test_the_bit_of_each_address_is_where_the_page_says",
        ),
        "`total` is the number": ("test_the_bit_of_each_address_is_where_the_page_says",),
        "Bit 7 of the last byte": ("test_the_bit_of_each_address_is_where_the_page_says",),
    },
    "does.write": {
        "Write changes one parameter": (
            "test_a_write_changes_working_memory_only_and_one_parameter_only",
            "test_a_time_out_that_is_written_acts_at_once",
        ),
        "Working memory is lost": ("test_what_is_not_committed_is_gone_after_a_restart",),
    },
    "does.commit": {
        "Commit copies the set": (
            "test_each_value_is_kept_over_a_power_cut",
            "test_an_assign_keeps_the_settings_and_a_commit_keeps_the_address",
            "test_while_it_stores_it_takes_in_requests_and_replies",
        ),
        "After power-up and restart": (
            "test_each_value_is_kept_over_a_power_cut",
            "test_what_is_committed_is_there_after_a_restart",
        ),
    },
    "does.undo": {"Undo copies": ("test_undo_takes_what_was_committed_last", "test_undo_leaves_the_address")},
    "does.copies": {
        "Stored memory has two copies": ("test_a_stored_copy_of_which_any_byte_is_damaged_does_not_count",),
        "A write goes to the copy": (
            "test_power_cut_at_every_byte_of_a_commit",
            "test_the_copy_in_use_is_never_written",
        ),
        "A copy counts only where": ("test_a_stored_copy_of_which_any_byte_is_damaged_does_not_count",),
    },
    "does.lost": {
        "Where no copy is whole": (
            "test_where_neither_copy_is_whole_it_has_factory_settings_and_no_address",
            "test_an_assign_beside_lost_settings_stores_factory_settings",
        ),
    },
    "does.assign": {
        "Assign writes the address": (
            "test_an_assign_keeps_the_settings_and_a_commit_keeps_the_address",
            "test_an_assign_beside_lost_settings_stores_factory_settings",
            "test_an_assign_makes_it_limp",
        ),
        "Parameters in working memory": ("test_an_assign_leaves_the_parameters",),
        "The time-out and the age": ("test_an_assign_forgets_the_time_out", "test_an_assign_makes_it_limp"),
    },
    "does.generation": {
        "`generation` counts": (
            "test_the_generation_goes_on_over_its_wrap",
            "test_an_assign_counts_over_the_wrap_too",
        ),
        "It is 0 while no copy is whole": ("test_behind_lost_settings_it_counts_from_one",),
    },
    "teaching.answer": {
        "Prefix query and slotted call": ("test_an_answer_at_a_fixed_time_begins_whatever_is_on_the_line",),
        "The count of slots": ("test_an_answer_at_a_fixed_time_begins_whatever_is_on_the_line",),
    },
    "teaching.brief": {"A brief prefix query": ("test_a_brief_match_of_any_length_is_answered_by_its_byte",)},
    "teaching.slot": {
        "A slotted call is answered": ("test_a_slotted_call_has_slots_of_any_number_and_length",),
        "The slot is that of H": ("test_a_slotted_call_has_slots_of_any_number_and_length",),
    },
}
"""Cases by the first words of a statement, by clause."""
NOT_SEEN: Final[dict[str, dict[str, str]]] = {
    "find.hash": {
        "For each byte of": "the steps of the hash show in its results alone, which the next statements name",
    },
    "find.sense": {
        "The random part": "of one actuator only the last draw of a wait is seen; a search among others needs it",
        "What is not seen busy": "it allows a start, and demands none",
    },
}
"""Why no case can show a statement, by its first words, by clause."""


def statements(text: str) -> list[str]:
    """The sentences of a clause."""
    return _END.split(text)


def cited() -> dict[str, set[str]]:
    """The clauses that each case of the suite cites, by the name of the case, read from the source."""
    found: dict[str, set[str]] = {}
    for file in sorted(SUITE.rglob("test_*.py")):
        for node in ast.parse(file.read_text("utf-8")).body:
            if isinstance(node, ast.FunctionDef) and node.name.startswith("test_"):
                calls = (one for one in node.decorator_list if isinstance(one, ast.Call))
                named = (one for one in calls if isinstance(one.func, ast.Name) and one.func.id == "clause")
                found[node.name] = {str(ast.literal_eval(argument)) for call in named for argument in call.args}
    return found


def main() -> None:
    """Print the clauses: how many statements each has, and which cases cite it."""
    cases = cited()
    for one in CLAUSES.values():
        names = [name for name, ids in cases.items() if one.id in ids]
        rows = len(TRIED.get(one.id, {})) + len(NOT_SEEN.get(one.id, {}))
        looked_at = "each with its cases" if rows else "not in the table"
        count = len(statements(one.text))
        sys.stdout.write(f"{one.id}: {count} statements, {looked_at}; {len(names)} cases: {', '.join(names)}\n")


if __name__ == "__main__":
    main()
