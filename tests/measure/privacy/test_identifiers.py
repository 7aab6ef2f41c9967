"""Words of captions and notes that may identify: 45 CFR 164.514(b)(2)(i), category by category.

"January 1, 2009" and its year alone are examples of the guidance on the rule by the US Department
of Health and Human Services (26 November 2012); 078-05-1120 is a number that the US Social
Security Administration withdrew; 555 numbers and .example are reserved for fiction and examples.
"""

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from vidseg.formats.vocabulary import builtin_codes, load_procedure
from vidseg.measure.privacy.identifiers import find_identifiers, words_of

KNOWN = words_of([label for label, _ in load_procedure("phaco").labels()])


@pytest.mark.parametrize(
    ("text", "letter", "part"),
    [
        ("Mr Persson, please look up", "A", "Mr Persson"),
        ("dr person takes over", "A", "dr person"),
        ("Sister Quint hands the lens", "A", "Sister Quint"),
        ("thank you, Anna", "A", "Anna"),
        ("Anna Person operates", "A", "Anna Person"),
        ("my name is anna", "A", "my name is anna"),
        ("at 12 Made Up Street", "B", "12 Made Up Street"),
        ("zip 02139", "B", "zip 02139"),
        ("he is from Springfield", "B", "from Springfield"),
        ("seen on January 1, 2009", "C", "January 1, 2009"),
        ("in May 2031", "C", "May 2031"),
        ("on the third of May", "C", "third of May"),
        ("seen 2031-05-13", "C", "2031-05-13"),
        ("13.05.2031 right eye", "C", "13.05.2031"),
        ("a 93-year-old man", "C", "93-year-old"),
        ("she is ninety-three years old", "C", "ninety-three years old"),
        ("aged 91", "C", "aged 91"),
        ("age: 104", "C", "age: 104"),
        ("in her nineties", "C", "in her nineties"),
        ("call 555-123-4567", "D", "call 555-123-4567"),
        ("+47 22 85 50 50 any time", "D", "+47 22 85 50 50"),
        ("(555) 123-4567", "D", "(555) 123-4567"),
        ("fax 555 0100 123", "E", "fax 555 0100 123"),
        ("write to someone@hospital.example", "F", "someone@hospital.example"),
        ("social security 078-05-1120", "G", "social security 078-05-1120"),
        ("078-05-1120", "G", "078-05-1120"),
        ("MRN 00123456", "H", "MRN 00123456"),
        ("hospital number A12345", "H", "hospital number A12345"),
        ("the number is 00123456", "H", "00123456"),
        ("policy no. 998877", "I", "policy no. 998877"),
        ("account number 12-3456", "J", "account number 12-3456"),
        ("licence no AB1234", "K", "licence no AB1234"),
        ("number plate AB12", "L", "number plate AB12"),
        ("serial number X1Y2", "M", "serial number X1Y2"),
        ("see https://pacs.example/123", "N", "https://pacs.example/123"),
        ("at 192.168.10.20", "O", "192.168.10.20"),
        ("the wife of the mayor", "R", "wife of"),
        ("id 1b4e28ba-2fa1-11d2-883f-0016d3cca427", "R", "1b4e28ba-2fa1-11d2-883f-0016d3cca427"),
    ],
)
def test_found_in_its_category(text: str, letter: str, part: str) -> None:
    (found,) = find_identifiers(text, KNOWN)
    assert (found.letter, found.text) == (letter, part)
    assert text[found.start : found.end] == part


@pytest.mark.parametrize(
    "text",
    [
        "operated in 2009",  # the year alone may stay
        "an 89 year old",  # ages up to 89 may stay
        "age: 90 or older",  # the rule's own category
        "Now I take the Sinskey hook and go under the Capsule.",
        "The Nucleus is hard. We divide it in four.",
        "vacuum 350, flow 28, power 60",
        "2.75 mm at 12 o'clock, 0.05 ml of 1:1000",
        "0:04:10 to 0:05:20",
        "Vacuum 350 mmHg, a 24.5 D lens",
        "visual acuity 20/200, left eye",
        "Then Irrigation/Aspiration, and Viscoelastic again",
        "two side ports",
        "we may see it again",
    ],
)
def test_talk_of_the_trade_passes(text: str) -> None:
    assert find_identifiers(text, KNOWN) == ()


@pytest.mark.parametrize("code", builtin_codes())
def test_labels_of_a_vocabulary_pass_with_its_own_words(code: str) -> None:
    labels = [label for label, _ in load_procedure(code).labels()]
    known = words_of(labels)
    assert [label for label in labels if find_identifiers(f"Now {label.title()}.", known)] == []


def test_several_in_one_text_in_order_and_apart() -> None:
    text = "Mr Persson, MRN 00123456, was 93 years old on 13.05.2031."
    found = find_identifiers(text, KNOWN)
    assert [one.letter for one in found] == ["A", "H", "C", "C"]
    assert all(a.end <= b.start for a, b in pairwise(found))


@given(st.text(max_size=60))
def test_findings_are_what_stands_at_their_place(text: str) -> None:
    found = find_identifiers(text)
    assert all(text[one.start : one.end] == one.text for one in found)
    assert list(found) == sorted(found, key=lambda one: one.start)
