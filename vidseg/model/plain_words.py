"""Plain English words that stand for no mangled term; the lists are ours."""

_LITTLE = """
a an the this that these those it its is are was be of to in on at and or for with from by as i
we you he she my our your me us now so not no up out off one here there
"""
_ORDINARY = """
about above across after again against all almost alone along already also always anterior
anything around asking back bad been before begin beginning behind being below best better
between big bit both bottom bring but called came can capsule care careful carefully case centre
center change check clean clear close coming complete control corner could course cut day deep
did different difficult does doing done down drop drops each easy edge else end enough even
every everything eye far fast few find fine finger first follow for free front full get getting
give go goes going gone good got great had half hand hard has have having head hear help her
here him his hold holding hole hour how idea important inside into just keep keeping kind know
large last late later leave left less let lets lift light like line little long look looking lot
low make making man manual many may maybe mean middle might minute moment more morning most move
moving much must name near need never new next nice night nothing number often okay old once
only open opening operation other our outside over part patient people piece place please point
posterior pressure problem pull pulling push pushing put quarter question quick quickly quite
ready really rest right room round said same saw say saying second see seen settings several she
should show side since slow slowly small smooth so some something sometimes soon sorry sound
start starting stay staying step still stop strong such surgery surgeon sure take taken taking
talk talking tell than thank thanks their them then there they thing things think third those
three through tight time tip today together told too top touch try trying turn turning two under
until upper use used using usual usually very video vision wait waiting walk want was watch
watching water way week well went were what when where which while white who whole why wide will
wish with without word work working world worry would wrong year years yes yet you young your
"""

LITTLE = frozenset(_LITTLE.split())
"""Articles, pronouns, prepositions: kept by recognisers, and no part of what a term tells."""
ORDINARY = frozenset(_ORDINARY.split())
"""Words that one alone is never taken for a term that merely resembles it."""
