"""What columns and header lines are called, in plain trade words of five languages.

Words for the richness of a mixture (`richesse`, `titolo`) are missing on purpose: that is the reciprocal of lambda.

From dictionaries, not from any program's files: common practice, no source. Words stand as `bare` leaves them: small
letters, no accents, one blank between.
"""

from __future__ import annotations

import re
import unicodedata
from typing import Final

from service.tables.records import AIR

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
    "time": "time, elapsed, elapsed time, t, seconds, zeit, messzeit, laufzeit, temps, tiempo, tempo, time stamp, "
    "time of day, clock, clock time, uhrzeit, heure, hora, ora",
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
    "intake air, intake temp, inlet temp, charge temperature, ansaugluft, ansauglufttemperatur, ansaugtemperatur, "
    "ladelufttemperatur, "
    "temperature admission, temperature d admission, temperature air admission, temperatura de admision, "
    "temperatura admision, temperatura aspirazione, temperatura aria aspirata",
}
CORRECTED: Final = frozenset(
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
        "sae",
        "din",
        "iso",
        "ece",
        "eec",
        "jis",
        "std",
        "stp",
    ]
)
"""Said of figures, also by the name of whoever wrote the standard."""
NUMBERED: Final = re.compile(
    r"(?:sae|din|iso|ece|eec|jis|un)[ _-]?[jdr]?[ _-]?(?:1349|607|1585|70020|1001|85)|j1349|j607|r85|d1001"
)
"""A standard by its number."""
OBSERVED: Final = frozenset(
    [
        "observed",
        "obs",
        "measured",
        "uncorrected",
        "uncorr",
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
OTHER_PLACE: Final = frozenset(
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
        "limit",
        "max",
        "peak",
        "demand",
        "request",
    ]
)
GAUGE_WORDS: Final = frozenset(
    {"boost", "boost pressure", "pression de suralimentation", "presion de soplado"}
    | {"pressione di sovralimentazione", "pressione turbo"}
)
SPEEDS: Final = frozenset(["speed", "geschwindigkeit", "vitesse", "velocidad", "velocita"])
"""A speed of whatever stands beside it; alone it is the engine's only where its unit is one of turning."""
PLACES: Final = {
    word: place
    for place, listed in {
        "engine": "engine motor moteur motore",
        "wheel": "wheel wheels hub hubs axle atw",
        "roller": "roller rollers drum drums",
    }.items()
    for word in listed.split()
}
"""Whose speed, torque or power it is."""
LINKS: Final = frozenset(["at", "the", "of"])
ABBREVIATIONS: Final = {
    word: long
    for long, listed in {
        "engine": "eng",
        "motor": "mot",
        "wheel": "whl whls",
        "speed": "spd",
        "torque": "torq",
        "power": "pwr",
        "wheel torque": "wtq rwtq",
        "wheel power": "whp rwhp wkw rwkw",
        "temperature": "temp",
        "pressure": "press",
        "position": "pos",
        "throttle": "thr",
        "manifold": "mani",
        "absolute": "abs",
        "ignition": "ign",
        "advance": "adv",
    }.items()
    for word in listed.split()
}
NUMBERING: Final = re.compile(
    r"\b(?:run|pull|test|lauf|messung|essai|passage|tirada|prueba|prova|lancio)\b|(?:\s*\b\d+)+$|\d+$"
)


def bare(text: str) -> str:
    """Small letters without accents, points and brackets, one blank between words."""
    text = unicodedata.normalize("NFKD", text.replace("ß", "ss")).lower()
    text = "".join(letter for letter in text if not unicodedata.combining(letter))
    return " ".join(re.sub(r"[^\w%]|_", " ", text).split())


PHRASES: Final = {phrase: channel for channel, listed in _CHANNELS.items() for phrase in listed.split(", ")}

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
        "ansaugluft, ansauglufttemperatur, ansaugtemperatur, temperature admission, temperatura admision, "
        "temperatura aspirazione",
        "factor": "correction factor, factor, korrekturfaktor, facteur de correction, factor de correccion, "
        "fattore di correzione",
        "basis": "correction, corrected to, standard, norm, korrektur, norme, norma, correccion, correzione",
    }.items()
}
"""The words before a fact of the header."""
BESIDE_DATE: Final = frozenset(
    [
        "recorded",
        "date",
        "on",
        "at",
        "started",
        "start",
        "time",
        "datum",
        "zeit",
        "uhr",
        "le",
        "am",
        "no",
        "nr",
        "of",
        "file",
        "log",
        "csv",
        "txt",
        "run",
        "pull",
        "test",
        "lauf",
        "messung",
        "essai",
        "passage",
        "tirada",
        "prueba",
        "prova",
        "lancio",
        "data",
        "fecha",
        "hora",
        "heure",
        "ora",
    ]
)
"""Words that may stand around a date which is when the pull was recorded; with others it may be a calibration's."""
_ANY_AIR: Final = frozenset(
    ["temperature", "temperatur", "temperatura", "pressure", "pression", "presion", "pressione"]
)
"""Words of the air in a header, where nothing else is meant, and of anything at all in a column."""
_RUN_WORDS: Final = frozenset(
    {
        "run",
        "run no",
        "run nr",
        "run number",
        "pull",
        "pull no",
        "pull number",
        "test no",
        "test number",
        "lauf",
    }
    | {
        "lauf nr",
        "laufnummer",
        "messung",
        "messung nr",
        "essai",
        "essai no",
        "passage",
        "tirada",
        "prueba",
        "prueba no",
    }
    | {"prova", "prova n", "lancio"}
)


def is_run(name: str) -> bool:
    """Whether the words are those of a pull's own number."""
    return name in _RUN_WORDS


def air_of(name: str) -> tuple[str, bool] | None:
    """Which of the bay's air a column's words name, and whether they can mean nothing else; None where none."""
    for fact in AIR:
        if name in FACT_WORDS[fact]:
            return fact, name not in _ANY_AIR
    return None


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
