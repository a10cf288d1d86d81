"""The words that survey tables use for columns, covers, roles and units: data only.

Common practice, no source. Keys are lower case, without accents, blanks or punctuation.
"""

from __future__ import annotations

from collections.abc import Iterable


def _words(text: str) -> frozenset[str]:
    return frozenset(text.split())


def _joined(words: Iterable[str], axes: Iterable[str]) -> frozenset[str]:
    """A word and an axis in either order: sigmae, esigma."""
    axes = tuple(axes)
    return frozenset(key for word in words for axis in axes for key in (word + axis, axis + word))


REQUIRED_GRID = ("id", "easting", "northing", "height")
REQUIRED_GEOGRAPHIC = ("id", "latitude", "longitude", "height")
SIGMAS = ("sigma_easting", "sigma_northing", "sigma_height")
OBSERVED = ("observed_easting", "observed_northing", "observed_height")
LENGTHS = ("easting", "northing", "height", *SIGMAS, "mark_size", *OBSERVED)
HEIGHTS = ("height", "sigma_height", "observed_height")
DEGREES = ("latitude", "longitude")
MEASURED = (*LENGTHS, *DEGREES)
WORDS = ("id", "cover", "role", "mark")

ELLIPSOIDAL = _words(
    """
    ellipsoidal ellipsoid ellheight hell ellh ellhgt hae ellipsoidalheight ellipsoidheight heightellipsoidal
    heightellipsoid ellipsoidische ellipsoidischehohe wgs84 grs80 ellipsoidalheights heightaboveellipsoid
    ellelevation ellipsoidalelevation
    """
)
ORTHOMETRIC = _words(
    """
    orthometric orthometricheight heightorthometric orthoheight orthoht hortho ortho msl heightmsl mslheight
    amsl heightamsl reducedlevel rl navd88 odn nap dhhn2016 ign69 orthometricheights orthometricelevation
    elevationorthometric heightabovesealevel orthohgt
    """
)

_EAST = _words("e east easting eastings x")
_NORTH = _words("n north northing northings y")
_UP = _words("h z height elevation elev level rl up v vert vertical vt u")

_COLUMNS: dict[str, frozenset[str]] = {
    "id": _words(
        """
        id ids point points pt pts pointid pointids ptid pid pointname pointno pointnr pointnumber pointnum
        ptname ptno ptnr ptnum ptnumber name no nr num number punkt punktnr punktnummer punktname station
        stn stationid stationname checkpoint checkpointid checkpointname checkpointno cp cpid cpname cpno
        label targetid targetname markid puntnummer punto nombre nom numero matricule surveypoint
        """
    ),
    "easting": _EAST
    | _words(
        """
        rechtswert rechts rw ostwert ost xcoord xcoordinate coordx eastcoordinate eastcoord este est oost
        ecoord ecoordinate xeasting eastingx xeast yeasting eastingy yeast xe ye locale localeasting
        coordinatex xcoordinates eastingcoordinate
        """
    ),
    "northing": _NORTH
    | _words(
        """
        hochwert hoch hw nordwert nord ycoord ycoordinate coordy northcoordinate northcoord norte noord
        ncoord ncoordinate ynorthing northingy ynorth xnorthing northingx xnorth yn xn localn localnorthing
        coordinatey ycoordinates northingcoordinate
        """
    ),
    "height": _words(
        """
        height heights elevation elevations elev z h level levels altitude alt hohe hoehe cota quota hoogte
        ht hgt heightz zheight zcoord zcoordinate coordz zelevation elevationz zelev groundlevel
        groundheight groundelevation spotheight heighth coordinatez localheight localelevation
        orthometriclevel el altura
        """
    )
    | (ELLIPSOIDAL | ORTHOMETRIC)
    - _words(
        """
        ellipsoidal ellipsoid ellipsoidische wgs84 grs80 ortho navd88 odn nap dhhn2016 ign69
        """
    ),
    "latitude": _words("latitude lat latitud breite breitengrad phi latitudes"),
    "longitude": _words("longitude long lon lng longitud lange laenge langengrad lambda longitudes"),
    "cover": _words(
        """
        cover landcover stratum terrain terraintype covertype landcovertype groundcover coverclass
        landcoverclass
        """
    ),
    "role": _words("role use usage purpose pointrole controlorcheck checkorcontrol pointuse"),
    "mark": _words("mark marktype targettype targetshape markshape marktemplate signaltype"),
    "mark_size": _words(
        """
        marksize size targetsize diameter markdiameter targetdiameter spherediameter polediameter
        markdimension
        """
    ),
}

_SPREAD = _words(
    """
    sigma sd std stdev stddev stddeviation standarddev standarddeviation standarduncertainty uncertainty
    precision prec sig stderr standarderror stdunc
    """
)
_SEEN = _words("observed obs cloud seen incloud fromcloud")

for _role, _axis in (("easting", _EAST), ("northing", _NORTH), ("height", _UP)):
    _COLUMNS[f"sigma_{_role}"] = _joined(_SPREAD, _axis)
    _places = _axis - (_words("v vert vertical vt u up") if _role == "height" else frozenset())
    _COLUMNS[f"observed_{_role}"] = _joined(_SEEN, _places)
# "H prec" is horizontal precision at least as often as a height's: see UNCLEAR_SPREAD.
_H_UNCLEAR = _joined(("precision", "prec", "uncertainty"), ("h",))
_COLUMNS["sigma_height"] -= _H_UNCLEAR

COLUMN_OF = {key: role for role, keys in _COLUMNS.items() for key in keys}
"""Heading key to canonical column."""

UNCLEAR_SPREAD = _H_UNCLEAR | _joined(
    (*_SPREAD, "rms", "accuracy", "acc"),
    _words("hz horizontal horiz hor plan 2d xy en pos position"),
)
"""Radial or per axis? The heading does not say, and the two differ by a factor of 1.41."""

_QUALITY = (*_SPREAD, "rms", "rmse", "accuracy", "acc", "cq", "sdv", "sdev", "err", "error")
SPREAD_LIKE = (
    frozenset(_QUALITY)
    | _joined(_QUALITY, _words("h v hz vt hv horizontal vertical horiz vert pos position 1d 2d 3d x y z e n"))
    | _words("semimajor semiminor semimajoraxis semiminoraxis cep drms 2drms")
)
"""What field programs call a point's quality: standard deviation or 95 %, per axis or radial, is not said."""

FRAMES = _words(
    """
    etrs etrs89 etrf wgs wgs84 osgb osgb36 utm itm mga mga94 mga2020 gda94 gda2020 nad83 nad27 navd88 ngvd29
    odn nap ahd dhhn2016 ign69 lambert93 sweref99 itrf grs80 rd lv95 grid survey surveyed projected map
    """
)
"""Names of frames that stand before or after a column's name; which frame it is, is said elsewhere."""

ROLE_HINTS = _words("type pointtype class kind category code description pointclass")
"""Attribute columns that may hold a control point's name without being a role column."""

OPEN = _words(
    """
    open openground openterrain urban bare bareearth bareground baresoil hard hardsurface paved pavement
    asphalt tarmac concrete gravel nva nonvegetated unvegetated shortgrass grassshort road
    """
)
VEGETATED = _words(
    """
    vegetated vegetation veg forest forested wood woods woodland tree trees tallgrass grasstall longgrass
    highgrass grasslong weeds tallweeds crops brush shrub shrubs scrub bush bushes vva canopy undergrowth
    """
)

CHECK = _words(
    """
    check checkpoint cp chk checkpt validation verification independent qa qc qaqc test
    """
)
CONTROL = _words(
    """
    control controlpoint gcp gcpused usedgcp groundcontrol groundcontrolpoint ccp base basestation
    registration adjustment georeferencing calibration
    """
)

MARKS_WITH_SIZE = _words("quartered-disc quartered-square disc cross sphere pole")
"""Marks whose geometry cannot be known without a size."""

FINE_UNITS = {
    **dict.fromkeys(["mm", "millimetre", "millimetres", "millimeter", "millimeters"], 0.001),
    **dict.fromkeys(["cm", "centimetre", "centimetres", "centimeter", "centimeters"], 0.01),
}
INTERNATIONAL_FEET = _words("intlft intlfeet intlfoot intft intfeet internationalft ftintl feetintl ftint")
SURVEY_FEET = _words("usfeet usfoot ussft surveyft ftsurvey ussurveyft ftussurvey feetus ussf usf")
FOREIGN_UNITS = _words(
    "ft foot feet inch inches yd yard yards km kilometre kilometres mile miles chain chains link links"
)
"""Words that show that a heading names a unit, even where it is not one that is read."""
LOOSE_FEET = _words("ft foot feet")
DEGREE_WORDS = _words("deg degs degree degrees dd dms decimal ° decdeg ddeg")
GEOGRAPHIC_QUALIFIERS = DEGREE_WORDS | _words("wgs wgs84 etrs89 nad83 n s e w global geographic")
