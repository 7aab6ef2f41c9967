"""Names of persons, from the lists of Faker (86 languages and countries), and words that are both.

Where the package ``names`` is installed (the extra of that name), the commonest surnames of the
United States (Census 1990) are known too.

A list knows common names only; a rare one is found by its title, its initial or its place alone.
"""

from __future__ import annotations

import importlib
import importlib.util
import pkgutil
import re
import unicodedata
from collections.abc import Iterable
from functools import cache
from pathlib import Path

from vidseg.model.plain_words import LITTLE, ORDINARY

LEAST_LETTERS = 3
"""Shorter names of the lists ("Li", "Xu") are met too often as something else (our choice)."""

_BOTH = """
age alba alpha amber anchor angel anon arch art ash author bail ball bank bar bare bars bay beat
beer bell bent best bill bind bins bird bite black blade blank blast block blood bloom blue
blunt board bold bolt bond bone bonus booth bow bowl bows box branch brand bread brick bridge
bridges bright bring brown brush buck bud bug bull burn burns burr bury bush cage call can canal
cap car cards care cares carry case cases cash cava cell chain chamber chan chance char chase
chat chi child chill chin chip chopper church cloud coal coat coil cold colon comment company
con cone constant cook cool copper cord core corn corona corr cotton counter cover crack cream
crest crop cross crown curl curry cutter dame dark dash data date dawn day days dear deep den
derma dial diamond dice dimple dish disk divine doc dock dome dot dove drape drill drop drum
duct dye early earth east edge edit elder elect ell else emit end ender english era even ever
fair faith fall fancy farm fat fed fee feed fellow ferry field fields fill film fine fire first
fish fit flap flash flat fleck flint flood floor flow fly foam fog fold font foot force fore
forest forget fork form fort found fountain free freely french fresh friend frost full fund gage
gain gale gap garden gas gate gauge gel gem general gentle german giant gift glass globe gold
golden good goose gown grace graft grand grant grate grave gray great green grey grip groove
gross ground grove guard guide gum gut hair hale half hall hand handle handler handy hard harm
harsh haze head heal heard heart heat heaven held hell hence hernia high hill hinge hold holder
hole holes holy hood hook hooks hoop hope horn horse host house hull hung hurt ice imaginary ine
inner inter iris iron island ivory ivy jade jail jar jaw jet job joy junk just keen keep kern
key keys kick kid kidney killer kin kind kink knot lab lack lake lam lamb lamp land lang large
laser last latin law lay lead leaf leak lean len lens less let level lid lie lies lift light
lights lim limb line link lip list little live load lock log lone long loop lord loss lot lots
love low lower loyal lung lunge machine mack made magic magna magnet main major male man manual
maple mar marble march marge margin mark marker marks marsh marshal mass master mat math max
maxima may meadow meal mean media mellow mere merry mesh meta metal mid mile miles mill mind
miner mini minor mint mist mole monitor moon moor more morning moss most motor mount mountain
mouse mouth move must nail nan nap nasal nat neat neck need nerve net never new nice nick night
nil noble none noon north nose notch note nova oculus odd odds off oil old olive opal open oral
orange org organ page pages pain pale palm pan panel para park parts past pat patch path
patience patient patsy pause peace peak pearl peel peer pen per perry person phase pick pigment
pike pillar pin pink pipe pit pitch place plain plane plate plum point pole polish pond pool
poor pop port post pouch power powers press pride prime prince prior probe promise proper pulse
pump pupil pure purple quick quiet quill rain ram ramp ran range rank rapid rare rash raven raw
ray read reader real rear reason red reed reef rest rib rice rich ride ridge right rim ring ripe
rise risk river road rock rocker rod roll roman room root roots rose round row royal ruby rule
run rush rust sac sack safe saga sage sal sale salt sand sane sap sauce savage saw say scar
school sea seal seals sear season second sense set setter seven shade shaft shake shallow sharp
shave shell shield shift shine ship shock shore short shot show side sign signs silk silver
simple sine sing single sink sister site skin skip sky slack sleeve slice slide slim slip slit
slot slow small smart smoke smooth snow soft soil solar sole solid son song soon sore sound
south spa space spark spatula spear speed spot spray spring square stack staff stage stain stalk
stand star stark start state station steady steam steel steep stem step stern still stitch stock
stone store storm story stout straight strand strange street strong suit suits sum summer summit
sun sunder sure swab sweet swell swift tab tack tag tall tan tank tap tape tar tart tea tear
temple tender test texas thick thin thorn tie ties tight till tilt time tin tiny tip toe tone
top torn tower town toy trace track traction trap tray tree tri trial trim trip true trunk tube
tuck tulip turn twin under uni union unique unit unknown unnamed upper vale valid valley van
vast vein vena vent ver via vine viola violet violin virgin vision vista vit vital voice void
wade wait waiter wall wand ward warm wash waste water wave way weak wear web wedge week weeks
weir well wells west wet wheat wheel whip white wide wild will wind window wine wing wings
winter wire wise wish wood wool word work worth wound wren yellow yes york young zest zone
"""
"""Given names and surnames that stand for something else at least as often (the choice is ours)."""

_COUNTED = """
zero ten eleven twelve thirteen fourteen fifteen sixteen seventeen eighteen nineteen twenty
thirty forty fifty sixty seventy eighty ninety hundred thousand four five six eight nine january
february april june july august september october november december
"""
BOTH = frozenset(_BOTH.split()) | frozenset(_COUNTED.split()) | LITTLE | ORDINARY

COMMONEST = 5000
"""Surnames taken from the census: rarer ones are as often words (measured)."""
_SURNAMES = re.compile(r"last_names|surnames|family_names")
_GIVEN = re.compile(r"first_names|given_names")


def fold_name(name: str) -> str:
    """Reduce a name to what is compared: small letters without accents and apostrophes."""
    plain = unicodedata.normalize("NFKD", name.replace("ß", "ss").replace("ø", "o")).casefold()
    return "".join(letter for letter in plain if letter.isalpha())


@cache
def listed_names() -> frozenset[str]:
    """Give surnames and given names, folded; those that are words as well are left out."""
    import faker.providers.person as lists

    found: set[str] = set()
    for module in pkgutil.iter_modules(lists.__path__):
        provider = importlib.import_module(f"{lists.__name__}.{module.name}").Provider
        for field in dir(provider):
            if _SURNAMES.search(field) or _GIVEN.search(field):
                found.update(_words(getattr(provider, field)))
    found.update(_census())
    return frozenset(found - BOTH)


def _census() -> Iterable[str]:
    """Give the commonest surnames of the United States, which are listed by rank."""
    package = importlib.util.find_spec("names")
    if package is None or package.origin is None:
        return []
    listed = Path(package.origin).with_name("dist.all.last")
    if not listed.is_file():
        return []
    lines = listed.read_text(encoding="ascii").splitlines()[:COMMONEST]
    return [line.split()[0].lower() for line in lines if len(line.split()[0]) >= LEAST_LETTERS]


def _words(names: object) -> Iterable[str]:
    if isinstance(names, Iterable) and not isinstance(names, str):
        for name in names:
            if isinstance(name, str) and " " not in name.strip():
                folded = fold_name(name)
                if len(folded) >= LEAST_LETTERS:
                    yield folded
