"""What the world outside says of bus, check and search, and where each of it is held against ours, or why it is not.

A row names its published source (or: computed from the stated definition; common practice, no source) and the tests
that hold a function of ours against it. A row that is struck belongs to a protocol or a duty that is not ours. What is
known of rigging (motion, linkage, hinge moment, gang, supply) stands in `tests/rig`, one test for each value.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True, slots=True)
class Row:
    """One thing that is known outside.

    Attributes:
        what: it is.
        source: where it was published, and how it was obtained.
        checked: ``file::test`` of those that hold it, below `tests/`.
        struck: why it is not checked; "" where it is.
    """

    what: str
    source: str
    checked: tuple[str, ...] = ()
    struck: str = ""


_COMPUTED: Final = "computed from the stated definition"
_PRACTICE: Final = "common practice, no source"

ROWS: Final = (
    # --- bytes on a line
    Row(
        "time of a character with and without parity",
        _COMPUTED,
        (
            "sim/line/test_receiver.py::test_another_rate_holds_from_the_next_byte_on",
            "outside/test_sigrok.py::test_the_timing_of_bytes",
            "outside/test_sigrok.py::test_the_timing_of_bytes_with_parity",
        ),
    ),
    Row(
        "waveform of four bytes at 100 samples a bit",
        "sigrok-cli, run",
        (
            "outside/test_sigrok.py::test_the_timing_of_bytes",
            "sim/line/test_receiver.py::test_waveform_sampled_a_hundred_times_a_bit",
        ),
    ),
    Row(
        "silent times of 1.5 and 3.5 characters",
        "MODBUS over Serial Line V1.02, remark on RTU timing, read as quoted; the document from memory",
        struck="our frames have delimiters and none of our receivers looks at gaps: 'Nothing depends on idle gaps'",
    ),
    Row(
        "time of one request and reply with parity and silent times",
        _COMPUTED,
        ("plan/check/test_bus_load.py::test_one_request_and_reply_with_parity_and_silent_times",),
    ),
    Row(
        "limit of two clocks for a receiver that samples in the middle",
        _COMPUTED,
        (
            "sim/line/test_receiver.py::test_the_ideal_limit_of_two_clocks",
            "sim/line/test_receiver.py::test_the_ideal_limit_shared_by_both",
        ),
    ),
    Row(
        "limits of a receiver that votes of three samples, 8 or 16 a bit, 8 or 9 bits",
        'Microchip, AVR USART, table "Error Tolerance", read',
        (
            "sim/line/test_receiver.py::test_the_limits_of_a_real_receiver",
            "sim/line/test_receiver.py::test_the_limits_themselves_at_many_phases",
        ),
    ),
    Row(
        "margin of a second maker's receiver",
        "NXP KL27 reference manual Rev 5, 38.5.2.7, read",
        ("sim/line/test_receiver.py::test_the_margin_of_a_second_makers_receiver",),
    ),
    Row(
        "rate error of a whole-number divider",
        "ATmega48/88/168 data sheet 2545D, table 84, read",
        ("sim/line/test_receiver.py::test_the_rates_that_a_divider_of_16_mhz_gives_at_115200",),
    ),
    Row(
        "32 unit loads and two terminations; bias of an idle line",
        "TIA/EIA-485-A, quoted in EURASIP J. Embedded Systems (2016) doi 10.1186/s13639-016-0042-x table 1; the rest "
        + _COMPUTED,
        (
            "rig/test_line.py::test_what_32_unit_loads_and_two_terminations_are",
            "rig/test_line.py::test_what_a_bias_leaves_between_the_wires",
        ),
    ),
    Row(
        "poll cycle and load",
        "simpy, run",
        (
            "plan/check/test_bus_load.py::test_a_poll_cycle_has_the_published_length_and_load",
            "plan/check/test_bus_load.py::test_simpy_comes_to_the_same_for_any_poll",
        ),
    ),
    Row(
        "load of 32 inputs and two terminations on a differential line; how many inputs it takes",
        "TIA/EIA-485-A, as quoted in doi 10.1186/s13639-016-0042-x, table 1, read; the rest computed",
        ("rig/test_line.py::test_what_32_unit_loads_and_two_terminations_are",),
    ),
    Row(
        "idle voltage of a biased line against 200 mV",
        f"{_COMPUTED}; the limit as above; ngspice, run",
        (
            "rig/test_line.py::test_what_a_bias_leaves_between_the_wires",
            "rig/test_line.py::test_a_bias_against_a_circuit_simulator",
        ),
    ),
    Row(
        "what a table of straight lines leaves of a curve",
        f"{_COMPUTED}; bound: de Boor, A Practical Guide to Splines, from memory",
        ("ops/moving/test_demand_units.py::test_what_a_table_of_straight_lines_leaves_of_a_curve",),
    ),
    Row(
        "a table between whose points nothing turns back, where a cubic spline does",
        "Fritsch & Carlson, SIAM J. Numer. Anal. 17 (1980), from memory; scipy, run",
        (
            "ops/moving/test_demand_units.py::test_a_table_never_goes_to_the_wrong_side_between_its_points_as_a_spline_would",
        ),
    ),
    Row(
        "two bytes at once on a wired AND",
        "sigrok-cli, run",
        (
            "outside/test_sigrok.py::test_two_that_speak_at_once",
            "sim/line/test_receiver.py::test_wired_and_of_two_bytes_sent_at_once",
        ),
    ),
    Row(
        "longest frame with stuffed bits",
        "Davis, Burns, Bril, Lukkien, Real-Time Systems 35 (2007), from memory",
        struck="CAN: we neither speak it nor stuff bits; a frame's length does not depend on its content",
    ),
    Row(
        "time of a frame on a sub-bus of a car",
        "LIN 2.2A / ISO 17987-3, from memory",
        struck="LIN: we do not speak it; what our own frames take is held by the tests of bus load",
    ),
    # --- check and framing
    Row(
        "check values of twelve CRC models",
        "RevEng catalogue, the first read as copied in public code; crccheck and binascii, run",
        (
            "wire/test_crc.py::test_a_model_has_the_check_value_of_the_catalogue",
            "wire/test_crc.py::test_a_model_is_that_of_a_second_library",
            "wire/test_crc.py::test_against_the_standard_library",
        ),
    ),
    Row(
        "check value of CRC-15/CAN",
        "crccheck, run",
        struck="CAN: we do not speak it, and no check of ours has another width than whole bytes",
    ),
    Row(
        "worked example and byte order of a 16-bit CRC; trap of a library that swaps them",
        "MODBUS over Serial Line V1.02, CRC appendix, from memory; pymodbus, run",
        ("wire/test_crc.py::test_worked_examples",),
    ),
    Row(
        "a whole request with its check",
        "sigrok-cli, run",
        ("outside/test_sigrok.py::test_a_request_of_another_protocol",),
    ),
    Row(
        "residue of a check that follows low byte first",
        "RFC 1662 C.2, read as copied in public code",
        ("wire/test_crc.py::test_the_residue_where_the_check_follows_low_byte_first",),
    ),
    Row(
        "how long data may be for a Hamming distance of 4",
        "Koopman & Chakravarty, DSN 2004, from memory",
        ("wire/test_crc.py::test_how_long_data_have_a_hamming_distance_of_four",),
    ),
    Row(
        "double errors and bursts are all found",
        "Peterson & Brown 1961, from memory",
        (
            "wire/test_crc.py::test_every_double_error_is_found",
            "wire/test_crc.py::test_every_burst_is_found",
        ),
    ),
    Row(
        "8-bit CRC of a serial number",
        "1-Wire CRC application note 27, from memory",
        ("wire/test_crc.py::test_worked_examples",),
    ),
    Row(
        "sum with carry, inverted; parity of an identifier",
        "LIN 2.x, from memory; algorithm read in TI SPNU562 28.3.1.8.4",
        struck="LIN: our check is a CRC with a count of zero bits, and no byte of ours carries parity",
    ),
    Row(
        "removal of zero bytes: examples, block boundary, bound",
        "Cheshire & Baker, IEEE/ACM ToN 7(2) 1999; the cobs package, run",
        (
            "wire/test_cobs.py::test_examples",
            "wire/test_cobs.py::test_block_boundary",
            "wire/test_cobs.py::test_costs_one_byte_and_leaves_no_zero",
        ),
    ),
    Row(
        "octet stuffing",
        "RFC 1662 4.2, from memory",
        struck="PPP: our frames are delimited by zero bytes that are removed from within, never escaped",
    ),
    Row(
        "escaped frame ends",
        "RFC 1055, from memory",
        struck="SLIP: as for octet stuffing",
    ),
    # --- search
    Row(
        "mean queries of a random binary tree, and their limit",
        "Capetanakis, IEEE IT-25 (1979); Massey (1981); both from memory",
        (
            "lessons/test_theory.py::test_mean_queries_of_a_random_binary_tree",
            "lessons/test_theory.py::test_a_large_tree_takes_nearly_three_queries_for_each",
            "ops/discovery/test_classic.py::test_queries_on_the_virtual_bus_are_those_of_theory",
        ),
    ),
    Row(
        "queries of a prefix tree over given numbers",
        _COMPUTED,
        ("lessons/test_theory.py::test_queries_among_given_uids",),
    ),
    Row(
        "plain scan of a silent line",
        f"{_COMPUTED}; addresses 1 to 247 read in a text on Modbus serial",
        ("plan/check/test_bus_load.py::test_a_plain_scan_of_a_silent_line",),
    ),
    Row(
        "bit slots of a search that asks for one bit at a time",
        "1-Wire search application note 187, from memory",
        struck="1-Wire: its bits are slots of a master, ours are whole queries; what ours ask is counted in "
        "ops/discovery/test_classic.py::test_bits_asks_twice_at_each_branching_and_once_at_each_end",
    ),
    Row(
        "two share an address by chance",
        "birthday problem, Feller vol. 1, from memory",
        struck="nothing here draws addresses so, nor calculates with that chance: clashes are found, not expected",
    ),
    Row(
        "single replies in framed slots",
        "Schoute 1983, from memory",
        (
            "lessons/test_theory.py::test_mean_number_alone_in_a_slot",
            "ops/discovery/test_classic.py::test_mean_single_replies_in_framed_slots",
        ),
    ),
    # --- pulse width and angle, records
    Row(
        "centre and span of a pulse; pulse of an angle",
        f"{_PRACTICE}; gpiozero, run",
        (
            "cli/move/test_pulse_width.py::test_pulse_width_of_an_angle",
            "cli/move/test_pulse_width.py::test_gpiozero_gives_the_same_pulse",
        ),
    ),
    Row(
        "pulse width of one degree; 'about 10 us per degree'",
        f"{_COMPUTED}; {_PRACTICE}",
        (
            "cli/move/test_pulse_width.py::test_pulse_width_of_one_degree",
            "cli/move/test_pulse_width.py::test_about_10_us_per_degree_is_wrong_by_up_to_80_per_cent",
        ),
    ),
    Row(
        "other pulse ranges of general libraries",
        "Arduino Servo.h, read; adafruit_motor, run",
        ("cli/move/test_pulse_width.py::test_what_drives_other_pulse_ranges_is_put_into_travel_and_neutral",),
    ),
    Row(
        "duty and period of a generated pulse",
        "sigrok-cli, run",
        struck="we make no pulses: a pulse width is only a way to write a demand, which goes out in a frame",
    ),
    Row(
        "dead band of a pulse as an angle",
        _COMPUTED,
        ("cli/move/test_pulse_width.py::test_dead_band_of_a_pulse_as_an_angle",),
    ),
    Row(
        "SHA-256 of a published text; canonical JSON",
        "FIPS 180-4 example; RFC 8785; hashlib and rfc8785, run",
        (
            "plan/airframe/test_record.py::test_the_sum_is_that_of_the_standard",
            "plan/airframe/test_record.py::test_canonical_json_is_that_of_the_rfc",
        ),
    ),
)
