"""The tables of the Standard PREanalytical Code, version 2.0: letters, what they mean, how far each was read.

Promises: data and nothing else. Every letter has a status: "original" (read in the paper's own table: Lehmann
and others 2012, doi 10.1089/bio.2012.0012, Table 1), "library" (read in the enumerations of an open code
library for version 2.0 only) or "memory" (not read anywhere: used and flagged, never evidence). The letters
of versions 3 and 4 are not here: version 3 changed ranges, and letters of two versions must not be mixed.
"""

from __future__ import annotations

from collections.abc import Mapping

VERSION = "2.0"
UNKNOWN, OTHER, NONE = "X", "Z", "N"
MINUTE, HOUR = 60_000, 3_600_000

Table = Mapping[str, tuple[str, str]]  # letter: meaning, status


def _table(status: str, **rows: str) -> dict[str, tuple[str, str]]:
    return {letter: (meaning, status) for letter, meaning in rows.items()}


FLUIDS: Table = _table(
    "original",
    BLD="whole blood", SER="serum", PL1="plasma, spun once", PL2="plasma, spun twice", RBC="red cells",
    BUF="buffy coat, viable", BFF="buffy coat, not viable", CEL="mononuclear cells, viable",
    PEL="mononuclear cells, not viable", DWB="dried whole blood", URN="random urine", STL="stool",
    BMK="breast milk", SAL="saliva", SEM="semen", NAS="nasal washing", CSF="cerebrospinal fluid",
    ASC="ascites", BAL="bronchoalveolar lavage", SYN="synovial fluid", TER="tears", ZZZ="other",
    AMN="amniotic fluid", BMA="bone-marrow aspirate", BUC="buccal cells", CEN="fresh cells, not of blood",
    CLN="cells, not of blood, viable", CRD="cord blood", PEN="cells, not of blood, not viable",
    PFL="pleural fluid", SPT="sputum", U24="urine of 24 h", URM="first-morning urine", URT="timed urine",
)  # fmt: skip
CONTAINERS: Table = _table(
    "original",
    ACD="acid citrate dextrose", ADD="additives", CAT="serum tube without clot activator",
    HEP="lithium heparin",
    PAX="tube that stabilises RNA", PED="potassium EDTA", PET="sterile polyethylene",
    PPS="sterile polypropylene", SCI="sodium citrate", SHP="sodium heparin",
    SPO="sodium fluoride and potassium oxalate", SST="serum separator with clot activator",
    TRC="trace elements", XXX="not known", ZZZ="other", CPD="citrate phosphate dextrose",
    CPT="cell-preparation tube", EDG="EDTA and gel", HIR="hirudin", LHG="lithium heparin and gel",
    ORG="saliva kit for DNA", PI1="protease inhibitor tablets", PIX="protease inhibitors",
    PXD="blood tube that stabilises DNA", PXR="bone-marrow tube that stabilises RNA",
    TEM="another tube that stabilises RNA",
) | _table("library", SED="sodium EDTA")  # fmt: skip
# Up to and without so many hours: room temperature, cold. The paper does not say whose a limit is; the code
# library gives it to the longer range (exactly 2 h is C).
DELAYS = [(2, "A", "B"), (4, "C", "D"), (8, "E", "F"), (12, "G", "H"), (24, "I", "J"), (48, "K", "L")]
LONGEST_DELAY = ("M", "N")
WARM = "O"  # below 2 h at 35 to 38 °C
_RANGES = ["below 2 h", "2 to 4 h", "4 to 8 h", "8 to 12 h", "12 to 24 h", "24 to 48 h", "over 48 h"]
DELAY: Table = (
    _table("original", **{one: f"{_RANGES[k]}, room temperature" for k, one in enumerate("ACEG")})
    | _table("original", **{one: f"{_RANGES[k]}, 2 to 10 °C" for k, one in enumerate("BDFH")})
    | _table("library", **{one: f"{_RANGES[k + 4]}, room temperature" for k, one in enumerate("IKM")})
    | _table("library", **{one: f"{_RANGES[k + 4]}, 2 to 10 °C" for k, one in enumerate("JLN")})
    | _table("library", O="below 2 h, 35 to 38 °C", X="not known", Z="other")
)
SPIN: Table = _table(
    "library",
    A="room temperature, 10 to 15 min, below 3000 × g, no brake",
    B="room temperature, 10 to 15 min, below 3000 × g, brake",
    C="2 to 10 °C, 10 to 15 min, below 3000 × g, no brake",
    D="2 to 10 °C, 10 to 15 min, below 3000 × g, brake",
    E="room temperature, 10 to 15 min, 3000 to 6000 × g, brake",
    F="2 to 10 °C, 10 to 15 min, 3000 to 6000 × g, brake",
    G="room temperature, 10 to 15 min, 6000 to 10 000 × g, brake",
    I="room temperature, 10 to 15 min, above 10 000 × g, brake",
    J="2 to 10 °C, 10 to 15 min, above 10 000 × g, brake",
    M="room temperature, 30 min, below 1000 × g, no brake", N="not spun", X="not known", Z="other",
) | _table("memory", H="2 to 10 °C, 10 to 15 min, 6000 to 10 000 × g, brake")  # fmt: skip
# Up to and without so many hours: cold, room temperature. Cold comes first here. The library writes the last
# limit as 1140 min; 24 h are 1440.
POST_DELAYS = [(1, "A", "B"), (2, "C", "D"), (8, "E", "F"), (24, "G", "H")]
LONGEST_POST = ("I", "J")
_POST = ["below 1 h", "1 to 2 h", "2 to 8 h", "8 to 24 h", "over 24 h"]
POST: Table = (
    _table("library", **{one: f"{_POST[k]}, 2 to 10 °C" for k, one in enumerate("ACEGI")})
    | _table("library", **{one: f"{_POST[k]}, room temperature" for k, one in enumerate("BDFHJ")})
    | _table("library", N="not applicable", X="not known", Z="other")
)
# Container, then class of temperature. I, of straws, is from memory: the library prints G twice.
STORES: Mapping[tuple[str, str], str] = {
    ("tube", "-80"): "A", ("tube", "-20"): "B", ("tube", "-135"): "V",
    ("cryotube", "-80"): "D", ("cryotube", "ln2"): "C",
    ("large", "-80"): "J", ("large", "-20"): "K",
    ("plate", "-80"): "L", ("plate", "-20"): "M",
    ("small", "-80"): "S", ("small", "-20"): "T", ("small", "-135"): "W",
    ("primary", "-80"): "Y", ("primary", "-20"): "Y",
}  # fmt: skip
STORAGE: Table = _table(
    "library",
    A="polypropylene tube 0.5 to 2 mL, −85 to −60 °C", B="polypropylene tube 0.5 to 2 mL, −35 to −18 °C",
    V="polypropylene tube 0.5 to 2 mL, below −135 °C", D="cryotube 1 to 2 mL, −85 to −60 °C",
    C="cryotube 1 to 2 mL, liquid nitrogen", J="polypropylene tube from 5 mL, −85 to −60 °C",
    K="polypropylene tube from 5 mL, −35 to −18 °C", L="microplate, −85 to −60 °C",
    M="microplate, −35 to −18 °C", S="polypropylene tube 40 to 500 µL, −85 to −60 °C",
    T="polypropylene tube 40 to 500 µL, −35 to −18 °C", W="polypropylene tube 40 to 500 µL, below −135 °C",
    Y="primary container, −35 to −18 or −85 to −60 °C", P="paraffin block", X="not known", Z="other",
    E="cryotube 1 to 2 mL, frozen by programme to below −135 °C",
    N="cryotube 1 to 2 mL, liquid nitrogen after −85 to −60 °C", G="straw, −85 to −60 °C",
    H="straw, −35 to −18 °C",
    F="straw, liquid nitrogen", O="straw, liquid nitrogen after −85 to −60 °C", Q="bag, liquid nitrogen",
    R="dry medium, room temperature",
) | _table("memory", I="straw, frozen by programme to below −135 °C")  # fmt: skip
SOLIDS: Table = _table(
    "library",
    TIS="solid tissue",
    HAR="hair",
    CEN="fresh cells, not of blood",
    ZZZ="other",
    CLN="cells, not of blood, viable",
    FNA="cells of a fine-needle aspirate",
    LCM="microdissected cells",
    PEN="cells, not of blood, not viable",
    PLC="placenta",
    TCM="disrupted tissue, not viable",
)
COLLECTION: Table = _table(
    "library",
    BPS="biopsy", SWB="swab", SRG="surgical excision", ZZZ="other", A06="autopsy, below 6 h after death",
    A12="autopsy, 6 to 12 h after death", A24="autopsy, 12 to 24 h after death",
    A48="autopsy, 24 to 48 h after death", A72="autopsy, 48 to 72 h after death",
    BCM="biopsy in culture medium", BSL="biopsy in saline", BTM="biopsy in cold transport medium",
    ASN="fine-needle aspirate", PUN="punction", SCM="excision in culture medium", SSL="excision in saline",
    STM="excision in cold transport medium", VAC="vacuum container",
)  # fmt: skip
# Up to and without so many minutes
ISCHAEMIA_MIN = [(2, "A"), (10, "B"), (20, "C"), (30, "D"), (60, "E")]
LONGEST_ISCHAEMIA = "F"
ISCHAEMIA: Table = _table(
    "library",
    A="below 2 min", B="2 to 10 min", C="10 to 20 min", D="20 to 30 min", E="30 to 60 min", F="over 60 min",
    N="not applicable", X="not known", Z="other",
)  # fmt: skip
FIXATION: Table = _table(
    "library",
    ETH="alcohol", FOR="formalin, not buffered", SNP="snap-frozen", RNL="RNA stabiliser", XXX="not known",
    ZZZ="other", ACA="without aldehyde, with acetic acid", ALD="aldehyde", ALL="tissue reagent",
    HST="heat", NAA="without aldehyde or acetic acid", NBF="neutral buffered formalin",
    OCT="freezing medium", PXT="stabiliser for tissue",
)  # fmt: skip
FIXED_MIN = [(15, "A"), (60, "B"), (240, "C"), (480, "D"), (1440, "E"), (2880, "F"), (4320, "G")]
FIXED: Table = _table(
    "library",
    A="below 15 min", B="15 min to 1 h", C="1 to 4 h", D="4 to 8 h", E="8 to 24 h", F="24 to 48 h",
    G="48 to 72 h", N="not applicable", X="not known", Z="other",
)  # fmt: skip

FLUID_ELEMENTS: tuple[tuple[str, Table], ...] = (
    ("Type of sample", FLUIDS), ("Primary container", CONTAINERS), ("Delay until processing", DELAY),
    ("First centrifugation", SPIN), ("Second centrifugation", SPIN), ("Delay after centrifugation", POST),
    ("Storage", STORAGE),
)  # fmt: skip
SOLID_ELEMENTS: tuple[tuple[str, Table], ...] = (
    ("Type of sample", SOLIDS), ("Collection", COLLECTION), ("Warm ischaemia", ISCHAEMIA),
    ("Cold ischaemia", ISCHAEMIA), ("Fixation", FIXATION), ("Fixation time", FIXED), ("Storage", STORAGE),
)  # fmt: skip
