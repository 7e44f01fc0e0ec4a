"""What columns and header lines are called, in plain trade words of five languages.

Words for the richness of a mixture (`richesse`, `titolo`) are missing on purpose: that is the reciprocal of lambda.

From dictionaries, not from any program's files: common practice, no source. Words stand as `bare` leaves them: small
letters, no accents, one blank between.
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from typing import Final

from service.tables.units import is_unit

_CHANNELS: Final[dict[str, str]] = {
    "rpm": "rpm, revs, engine speed, engine rpm, motor speed, rev, revolutions, engine revs, n, nmot, n engine, n motor, "
    "drehzahl, motordrehzahl, regime, regime moteur, vitesse moteur, tours, tours moteur, regimen, regimen motor, "
    "revoluciones, velocidad del motor, revoluciones del motor, giri, giri motore, regime motore, numero di giri, 1 min, "
    "u min, tr min, min 1, giri min",
    "torque": "torque, engine torque, trq, tq, m, md, drehmoment, motordrehmoment, moment, couple, couple moteur, "
    "par, par motor, torque motor, coppia, coppia motore, momento torcente",
    "power": "power, engine power, pwr, p, leistung, motorleistung, puissance, puissance moteur, potencia, "
    "potencia motor, potencia del motor, potenza, potenza motore, output",
    "axle_torque": "axle torque, wheel torque, hub torque, torque at the wheels, torque at wheels, achsmoment, radmoment, "
    "raddrehmoment, achsdrehmoment, couple roue, couple aux roues, par en rueda, par a la rueda, coppia alla ruota, "
    "coppia ruota, driven axle torque",
    "wheel_power": "wheel power, power at the wheels, power at wheels, hub power, roller power, radleistung, "
    "puissance roue, puissance aux roues, potencia en rueda, potencia a la rueda, potenza alla ruota, potenza ruota",
    "time": "time, elapsed, elapsed time, t, seconds, zeit, messzeit, laufzeit, temps, tiempo, tempo, time stamp",
    "roller_speed": "roller speed, drum speed, roller rpm, drum rpm, rollendrehzahl, rollengeschwindigkeit, "
    "vitesse rouleau, vitesse rouleaux, velocidad rodillo, velocidad del rodillo, velocita rullo, velocita rulli, giri rullo",
    "throttle": "throttle, throttle position, tps, throttle opening, pedal, drosselklappe, drosselklappenstellung, gaspedal, "
    "papillon, position papillon, accelerateur, mariposa, acelerador, farfalla, posizione farfalla, acceleratore",
    "lambda": "lambda, afr, air fuel ratio, air fuel, mixture, lambdawert, luftverhaltnis, luftzahl, "
    "melange, rapport air carburant, relacion aire combustible, mezcla, rapporto aria carburante, "
    "rapporto aria combustibile",
    "map": "map, manifold pressure, intake pressure, manifold absolute pressure, boost, boost pressure, saugrohrdruck, "
    "ladedruck, pression admission, pression collecteur, pression de suralimentation, presion de admision, "
    "presion admision, presion del colector, presion de soplado, pressione collettore, pressione aspirazione, "
    "pressione di sovralimentazione, pressione turbo",
    "spark": "spark, spark advance, ignition, ignition advance, ignition timing, timing, advance, zundwinkel, "
    "zundzeitpunkt, vorzundung, avance, avance allumage, avance a l allumage, avance de encendido, encendido, anticipo, "
    "anticipo accensione",
    "knock_retard": "knock retard, knock, retard, klopfregelung, zundrucknahme, retrait cliquetis, "
    "retraso por picado, ritardo detonazione",
    "inlet": "iat, inlet temperature, intake temperature, inlet air, intake air temperature, inlet air temperature, "
    "intake air, intake temp, inlet temp, charge temperature, ansauglufttemperatur, ansaugtemperatur, ladelufttemperatur, "
    "temperature admission, temperature d admission, temperature air admission, temperatura de admision, "
    "temperatura admision, temperatura aspirazione, temperatura aria aspirata",
}
_CORRECTED: Final = frozenset(
    [
        "corrected",
        "corr",
        "korr",
        "korrigiert",
        "corrige",
        "corrigee",
        "corregida",
        "corregido",
        "corretta",
        "corretto",
    ]
)
_OBSERVED: Final = frozenset(
    [
        "observed",
        "measured",
        "uncorrected",
        "unkorrigiert",
        "gemessen",
        "mesure",
        "mesuree",
        "medida",
        "medido",
        "misurata",
        "misurato",
        "raw",
    ]
)
_OTHER_PLACE: Final = frozenset(
    [
        "flywheel",
        "crank",
        "clutch",
        "loss",
        "losses",
        "drag",
        "schwungrad",
        "kupplung",
        "verlust",
        "verlustleistung",
        "schlepp",
        "volant",
        "perte",
        "pertes",
        "volante",
        "perdida",
        "perdidas",
        "perdite",
        "perdita",
        "volano",
        "estimated",
        "target",
        "soll",
    ]
)
_GAUGE_WORDS: Final = frozenset(
    {"boost", "boost pressure", "pression de suralimentation", "presion de soplado"}
    | {"pressione di sovralimentazione", "pressione turbo"}
)
_SPEEDS: Final = frozenset(
    [
        "speed",
        "road speed",
        "vehicle speed",
        "wheel speed",
        "geschwindigkeit",
        "vitesse",
        "velocidad",
        "velocita",
    ]
)
_NUMBERING: Final = re.compile(
    r"\b(?:run|pull|test|lauf|messung|essai|passage|tirada|prueba|prova|lancio)\b|\d+$"
)


@dataclass(frozen=True)
class Header:
    """A column's header cell: its words without the unit, and the unit's word; empty where there is none."""

    text: str
    name: str
    unit: str


@dataclass(frozen=True)
class Meaning:
    """What a column's words say: its channel, whether corrected or as observed, whether a pressure is a gauge's."""

    channel: str
    corrected: bool = False
    observed: bool = False
    gauge: bool = False


def bare(text: str) -> str:
    """Small letters without accents, points and brackets, one blank between words."""
    text = unicodedata.normalize("NFKD", text.replace("ß", "ss")).lower()
    text = "".join(letter for letter in text if not unicodedata.combining(letter))
    return " ".join(re.sub(r"[^\w%]|_", " ", text).split())


def header_of(cell: str, unit_cell: str = "") -> Header:
    """A header cell cut into name and unit: in brackets, after a comma or slash, as its last word, or a line below."""
    text = cell.strip()
    if unit_cell.strip():
        return Header(text, bare(text), re.sub(r"^[\[({<]|[\])}>]$", "", unit_cell.strip()))
    bracketed = re.fullmatch(r"(.*?)\s*[\[({<]([^\[\](){}<>]*(?:\([^()]*\))?[^\[\](){}<>]*)[\])}>]\s*", text)
    if bracketed and bracketed[1]:
        return Header(text, bare(bracketed[1]), bracketed[2].strip())
    for pattern in (
        r"(.+?)\s*,\s*(\S.*)",
        r"(.+?)\s+/\s+(\S.*)",
        r"(.+)\s+in\s+(\S+)",
        r"(.+)[\s_]+([^\s_]+)",
    ):
        cut = re.fullmatch(pattern, text)
        if cut and is_unit(cut[2]) and bare(cut[1]):
            return Header(text, bare(cut[1]), cut[2].strip())
    return Header(text, bare(text), text if is_unit(text) else "")


def meaning_of(name: str, text: str = "") -> Meaning | None:
    """The channel a column's bare name stands for; None where the words are not known or mean another place.

    `text` is the whole cell: what stands in its brackets may be `corrected` or a place.
    """
    words = _NUMBERING.sub(" ", name).split()
    every = {*words, *bare(text).split()}
    if _OTHER_PLACE & every:
        return None
    corrected = bool(_CORRECTED & every)
    phrase = " ".join(word for word in words if word not in _CORRECTED | _OBSERVED)
    phrase = phrase or name
    channel = _PHRASES.get(phrase)
    if channel is None:
        return None
    return Meaning(channel, corrected, bool(_OBSERVED & every), channel == "map" and phrase in _GAUGE_WORDS)


def is_speed(name: str) -> bool:
    """Whether the words are those of a car's speed, or of a speed without saying whose."""
    return _NUMBERING.sub(" ", name).strip() in _SPEEDS


_PHRASES: Final = {phrase: channel for channel, listed in _CHANNELS.items() for phrase in listed.split(", ")}

FACT_WORDS: Final[dict[str, frozenset[str]]] = {
    fact: frozenset(words.split(", "))
    for fact, words in {
        "date": "date, datum, fecha, data, day, tag, jour, recorded, test date, date and time, datum und zeit, datum zeit, "
        "date et heure, fecha y hora, data e ora, date time, started, start, recorded at",
        "clock": "time, time of day, clock, start time, zeit, uhrzeit, heure, hora, ora, startzeit",
        "temperature": "air temp, air temperature, temperature, ambient temperature, ambient temp, room temperature, "
        "lufttemperatur, raumtemperatur, umgebungstemperatur, temperatur, temperature air, temperature ambiante, "
        "temperature de l air, temperatura ambiente, temperatura del aire, temperatura, temperatura aria",
        "pressure": "pressure, air pressure, barometer, barometric pressure, station pressure, ambient pressure, baro, "
        "luftdruck, barometerstand, umgebungsdruck, pression, pression atmospherique, pression barometrique, presion, "
        "presion atmosferica, presion barometrica, pressione, pressione atmosferica, pressione barometrica",
        "humidity": "humidity, relative humidity, air humidity, luftfeuchte, luftfeuchtigkeit, relative feuchte, feuchte, "
        "humidite, humidite relative, humedad, humedad relativa, umidita, umidita relativa, rh",
        "dew_point": "dew point, dewpoint, taupunkt, point de rosee, punto de rocio, punto di rugiada",
        "coolant": "coolant, coolant temperature, water temperature, engine temperature, kuhlmitteltemperatur, "
        "kuhlwassertemperatur, temperature eau, temperatura agua, temperatura acqua, coolant temp, water temp",
        "oil": "oil, oil temperature, oil temp, oltemperatur, temperature huile, temperatura aceite, temperatura olio",
        "inlet": "inlet temperature, intake temperature, intake air temperature, inlet temp, intake temp, iat, "
        "ansauglufttemperatur, ansaugtemperatur, temperature admission, temperatura admision, temperatura aspirazione",
        "factor": "correction factor, factor, korrekturfaktor, facteur de correction, factor de correccion, "
        "fattore di correzione",
        "basis": "correction, corrected to, standard, norm, korrektur, norme, norma, correccion, correzione",
    }.items()
}
"""The words before a fact of the header."""
OBSERVED_WORDS: Final = frozenset(
    [
        "none",
        "observed",
        "uncorrected",
        "as measured",
        "off",
        "keine",
        "unkorrigiert",
        "aucune",
        "non corrige",
        "ninguna",
        "sin corregir",
        "nessuna",
        "non corretto",
    ]
)
STANDARD_WORDS: Final = {
    "sae j1349": "sae-j1349",
    "j1349": "sae-j1349",
    "iso 1585": "iso-1585",
    "sae j607": "sae-j607",
    "j607": "sae-j607",
    "din 70020": "din-70020",
    "un r85": "un-r85",
    "ece r85": "un-r85",
    "r85": "un-r85",
    "jis d1001": "jis-d1001",
    "jis d 1001": "jis-d1001",
}
"""A standard's own name as it is printed, and its slug here."""
