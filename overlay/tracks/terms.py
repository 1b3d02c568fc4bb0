"""Terms of the trade for what a log records, and the columns they stand for.

A header is taken apart into a term and a unit: "GSpd (km/h)", "ground_speed_kmh" and "Ground speed [km/h]" name the
same column in the same unit. A term that can mean two things ("battery") is settled by its unit.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from overlay.errors import UsageError
from overlay.tracks import units

QUANTITY: dict[str, str] = {
    "latitude_deg": "angle",
    "longitude_deg": "angle",
    "height_m": "length",
    "height_over_home_m": "length",
    "pressure_height_m": "length",
    "ground_speed_mps": "speed",
    "course_deg": "angle",
    "vertical_speed_mps": "speed",
    "airspeed_mps": "speed",
    "heading_deg": "angle",
    "bank_deg": "angle",
    "pitch_deg": "angle",
    "roll_rate_dps": "rate",
    "pitch_rate_dps": "rate",
    "yaw_rate_dps": "rate",
    "acceleration_x_mps2": "acceleration",
    "acceleration_y_mps2": "acceleration",
    "acceleration_z_mps2": "acceleration",
    "voltage_V": "voltage",
    "current_A": "current",
    "charge_used_mAh": "charge",
    "pack_remaining_pct": "percent",
    "throttle_pct": "percent",
    "control_link_pct": "percent",
    "control_rssi_dBm": "decibel",
    "control_snr_dB": "decibel",
    "control_power_mW": "power",
    "telemetry_link_pct": "percent",
    "telemetry_rssi_dBm": "decibel",
    "telemetry_snr_dB": "decibel",
    "wind_speed_mps": "speed",
    "wind_from_deg": "angle",
    "satellites": "count",
    "hdop": "count",
    "accuracy_m": "length",
    "mode": "count",
    "aerial_bearing_deg": "angle",
}
TIME, DATE, PLACE = "time_s", "date", "place"  # what else a mapping may name: PLACE holds "lat lon" in one column

# column(s) a term may stand for, best first -> terms, the clearest first; a later rank yields to an earlier one
_TERMS: tuple[tuple[tuple[str, ...], str], ...] = (
    (
        (TIME,),
        "datetime timestamp timestamputc utctime timeutc utc gpstime gpsutc time localtime timelocal "
        "timestamplocal clock timeus timems epoch unixtime unixtimestamp posix elapsed elapsedtime "
        "timeelapsed flighttime uptime timesinceboot timesincestart timeboot millis seconds t",
    ),
    ((DATE,), "dateutc utcdate gpsdate date day localdate"),
    (("latitude_deg",), "latitude lat gpslat gpslatitude poslat latdeg latitudens"),
    (("longitude_deg",), "longitude lon lng long gpslon gpslng gpslong gpslongitude poslon longitudeew"),
    (
        (PLACE,),
        "gps coordinates coordinate coord coords latlon latlng latlong position gpsposition gpscoord "
        "gpscoords gpscoordinates location place",
    ),
    (
        ("height_m",),
        "altitudemsl altmsl heightmsl altamsl gpsaltitude gpsalt galt gpsheight altitude alt elevation ele height",
    ),
    (
        ("height_over_home_m",),
        "relativealtitude relalt altrelative altituderelative heightoverhome heightabovehome altitudeagl "
        "altagl agl heightagl baroaltitude baroalt baroheight balt",
    ),
    (("ground_speed_mps",), "groundspeed gspd gspeed gpsspeed gpsspd sog speedoverground gs spd speed velocity"),
    (
        ("course_deg",),
        "course courseoverground cog groundcourse gpscourse gcrs gpscog gpsheading gpshdg track trackangle",
    ),
    (("heading_deg", "course_deg"), "yaw trueheading headingtrue heading hdg"),
    (
        ("vertical_speed_mps",),
        "verticalspeed vspd vspeed climb climbrate climbspeed verticalrate verticalvelocity vario variometer vsi vz",
    ),
    (("airspeed_mps",), "trueairspeed tas airspeed aspd aspeed asp indicatedairspeed ias"),
    (("bank_deg",), "bank bankangle roll rollangle"),
    (("pitch_deg",), "pitch ptch pitchangle pit"),
    (("roll_rate_dps",), "rollrate gyrox gyrx gyroroll"),
    (("pitch_rate_dps",), "pitchrate gyroy gyry gyropitch"),
    (("yaw_rate_dps",), "yawrate gyroz gyrz gyroyaw turnrate"),
    (("acceleration_x_mps2",), "accelerationx accelx accx ax"),
    (("acceleration_y_mps2",), "accelerationy accely accy ay"),
    (("acceleration_z_mps2",), "accelerationz accelz accz az"),
    (("voltage_V",), "packvoltage batteryvoltage batvoltage voltage volts volt vbat vfas rxbt vpack batv"),
    (("voltage_V", "pack_remaining_pct", "current_A", "charge_used_mAh"), "battery batt bat pack"),
    (("current_A",), "current packcurrent batterycurrent curr amps amp amperage"),
    (
        ("charge_used_mAh",),
        "chargeused usedcharge usedcapacity capacityused consumed consumption consumedcharge mah mahused "
        "usedmah used mahdrawn capa charge",
    ),
    (
        ("pack_remaining_pct",),
        "packremaining remaining batteryremaining batterylevel batterypercent batpercent fuel soc stateofcharge",
    ),
    (("pack_remaining_pct", "charge_used_mAh"), "capacity"),
    (("throttle_pct",), "throttle thr"),
    (
        ("control_link_pct",),
        "linkquality controllink controllinkquality uplinkquality uplinklq rxquality rqly lq lqi link",
    ),
    (
        ("control_rssi_dBm", "control_link_pct"),
        "controlrssi uplinkrssi rxrssi rssi signalstrength signal 1rss 2rss rss1 rss2 rssi1 rssi2",
    ),
    (("control_snr_dB",), "controlsnr uplinksnr rxsnr rsnr snr"),
    (("control_power_mW",), "transmitpower txpower tpwr uplinkpower rfpower"),
    (("telemetry_link_pct",), "telemetrylink telemetryquality downlinkquality downlinklq tqly"),
    (("telemetry_rssi_dBm",), "telemetryrssi downlinkrssi trss"),
    (("telemetry_snr_dB",), "telemetrysnr downlinksnr tsnr"),
    (("wind_speed_mps",), "windspeed wind"),
    (("wind_from_deg",), "windfrom winddirection winddir"),
    (
        ("satellites",),
        "satellites sats sat nsats nsat numsat numsats gpssats gpsnumsat satcount satellitecount satnum",
    ),
    (("hdop",), "hdop gpshdop"),
    (("accuracy_m",), "accuracy hacc horizontalaccuracy eph"),
    (("mode",), "flightmode fm mode"),
    (("aerial_bearing_deg",), "trackerbearing trackerheading trackerpan trackeryaw aerialbearing antennabearing"),
)
_STICKS = ("ail", "aileron", "rud", "rudder")  # beside them "ele" is the elevator, not an elevation
_CANDIDATES = {term: columns for columns, terms in _TERMS for term in terms.split()}
_RANK = {term: rank for _, terms in _TERMS for rank, term in enumerate(terms.split())}
_BRACKET = re.compile(r"\s*[\(\[\{<]\s*([^\)\]\}>]*?)\s*[\)\]\}>]?\s*$")


@dataclass(frozen=True)
class Field:
    """A header understood: the column it stands for and its unit, empty where the header names none.

    `unclear` where only a unit could have told which column it is.
    """

    header: str
    column: str
    unit: str
    unclear: bool = False

    @property
    def quantity(self) -> str:
        """What the column measures."""
        return "time" if self.column == TIME else QUANTITY.get(self.column, "count")


def assign(headers: Iterable[str], mapping: Mapping[str, str] | None = None) -> dict[str, Field]:
    """The fields that a row of headers stands for, by header; one header a column, the clearest term first.

    A second receiver of the control link (1RSS, 2RSS) stands beside the first under the same column. `mapping` names a
    header for a column outright, as the log spells it or with a unit added in brackets.
    """
    headers = list(headers)
    fields = _mapped(headers, mapping or {})
    taken = {field.column for field in fields.values()}
    read = [(header, *split(header)) for header in headers if header not in fields]
    sticks = any(term in _STICKS for _, term, _ in read)
    known = (item for item in read if item[1] in _CANDIDATES and not (sticks and item[1] == "ele"))
    ranked = sorted(known, key=lambda item: _RANK[item[1]])
    for header, term, unit in ranked:
        column = next((c for c in _fitting(term, unit) if c not in taken or _is_second_receiver(term, c)), None)
        if column is not None:
            fields[header] = Field(header, column, unit, not units.is_unit(unit) and _needs_unit(term))
            taken.add(column)
    return fields


def _needs_unit(term: str) -> bool:
    """Whether a term stands for different quantities; a link's strength is told from its quality by the numbers."""
    columns = _CANDIDATES[term]
    return len({Field("", c, "").quantity for c in columns}) > 1 and "control_rssi_dBm" not in columns


def split(header: str) -> tuple[str, str]:
    """(term, unit) of a header; the unit from brackets, else from a last word that is one.

    >>> split("GSpd(kmh)"), split("height_ft"), split("Yaw [°]"), split("Alt (ft MSL)"), split("Time")
    (('gspd', 'kmh'), ('height', 'ft'), ('yaw', '°'), ('alt', 'ft'), ('time', ''))
    """
    match = _BRACKET.search(header)
    if match and match.start() > 0:
        term = _term(header[: match.start()])
        quantities = [Field("", c, "").quantity for c in _CANDIDATES.get(term, ())]
        return term, next(filter(None, (units.within(match[1], q) for q in quantities)), match[1])
    words = re.split(r"[\s_.,:;]+", header.strip())
    for count in (1, 2):
        unit, term = "/".join(words[-count:]), _term("".join(words[:-count]))
        if len(words) > count and any(
            units.measures(unit, Field("", c, "").quantity) for c in _CANDIDATES.get(term, ())
        ):
            return term, unit
    return _term(header), ""


def without_unit(header: str) -> str:
    """A header without what it says in brackets at its end.

    >>> without_unit("Alt (ft MSL)")
    'Alt'
    """
    match = _BRACKET.search(header)
    return header[: match.start()].strip() if match and match.start() > 0 else header.strip()


def is_term(header: str) -> bool:
    """Whether a header names something that tracks keep."""
    return split(header)[0] in _CANDIDATES


def _term(text: str) -> str:
    return re.sub(r"[^a-z0-9]", "", text.lower())


def _fitting(term: str, unit: str) -> tuple[str, ...]:
    """The columns of a term that its unit allows; a bracket that holds no unit says nothing."""
    candidates = _CANDIDATES[term]
    if not units.is_unit(unit):
        return candidates
    return tuple(c for c in candidates if c in (DATE, PLACE) or units.measures(unit, Field("", c, "").quantity))


def _is_second_receiver(term: str, column: str) -> bool:
    return column == "control_rssi_dBm" and bool(re.fullmatch(r"[12]rss|rssi?[12]", term))


def _mapped(headers: list[str], mapping: Mapping[str, str]) -> dict[str, Field]:
    """The fields a user's mapping names; UsageError for a column that does not exist, KeyError for a missing header."""
    fields = {}
    for column, wanted in mapping.items():
        if column not in QUANTITY and column not in (TIME, DATE, PLACE):
            known = ", ".join((TIME, DATE, PLACE, *QUANTITY))
            raise UsageError(f"{column!r} is no column of a track; columns are {known}")
        header, unit = _found(headers, wanted)
        quantity = Field("", column, "").quantity
        if units.is_unit(unit) and quantity != "count" and not units.measures(unit, quantity):
            raise UsageError(f"{column} = {wanted!r}: {unit} does not measure {quantity}")
        fields[header] = Field(header, column, unit)
    return fields


def _found(headers: list[str], wanted: str) -> tuple[str, str]:
    """(the log's header, the unit) of a header as the user wrote it."""
    term, unit = split(wanted)
    if wanted in headers:
        return wanted, unit
    for header in headers:
        if split(header)[0] == term or header.strip().lower() == wanted.strip().lower():
            return header, unit or split(header)[1]
    match = _BRACKET.search(wanted)
    bare = wanted[: match.start()].strip().lower() if match else wanted.strip().lower()
    for header in headers:
        if header.strip().lower() == bare:
            return header, unit
    raise KeyError(wanted)
