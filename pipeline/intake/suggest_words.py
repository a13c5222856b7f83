"""Words of the trade in names of columns and of figures: English, German, French, Spanish and Italian."""

from __future__ import annotations

import re
import unicodedata
from collections import Counter
from functools import cache
from typing import TYPE_CHECKING

from schemas.tables import READING

if TYPE_CHECKING:
    from collections.abc import Iterable

__all__ = ["language_of", "statistic_of", "target_of_name"]

# by language; names are compared without accents, in small letters, with one space for any mark between words.
# The first target that fits counts, so that what is narrow stands before what is wide (common practice, no source).
_WORDS: dict[str, tuple[tuple[str, str], ...]] = {
    "english": (
        ("standard_deviation", r"std( dev.*)?|standard deviation|stdev|sd|s|sigma n"),
        ("temperature_state", r"(temp\w* )?state|compensation|comp"),
        ("temperature_source", r"temp\w* source"),
        ("temperature_age_min", r"temp\w* age\w*"),
        ("pieces", r"pieces|stack\w*"),
        ("temperature_c", r"((metal|room|part|ambient) )?temp\w*( c)?|metal|room|t"),
        ("frequency_khz", r"freq\w*|f"),
        ("thickness_mm", r"((sheet|wall|part|material) )?thick\w*|wall"),
        ("coating_um", r"coat\w*( thickness)?|lift ?off|paint"),
        ("radius_mm", r"radius\w*|curvature"),
        ("sequence", r"nr|no|#|seq\w*|index|counter|line|(reading|measurement) (no|nr|number)|number"),
        ("count", r"n|count|readings|number of readings"),
        ("measured_at", r"measured at|stamp|time ?stamp|date( and)? time|datetime|when|taken( at| on)?"),
        ("measured_date", r"date|day|measured on"),
        ("measured_time", r"time|clock|hour|time of day"),
        (
            "meter",
            r"((meter|instrument|gauge|device|unit) )?serial( no| number)?|(meter|instrument|gauge|device)( no| number| id)?",
        ),
        ("probe", r"probe\w*( no| number)?|head"),
        ("operator", r"operator|by|user|inspector|who|measured by"),
        ("role", r"role|kind|use|purpose|type"),
        ("lot", r"lot\w*( no| number)?|batch\w*( no| number)?|heat( no| number)?"),
        ("block", r"(ref(erence)? )?block( no| number| id)?|((ref(erence)?|calibration) )?standard|reference|coupon"),
        ("part", r"part\w*( no| number)?|piece|sample|item|specimen"),
        ("spot", r"spot|position|pos|point|place"),
        ("unit", r"units?"),
        (
            "value",
            r"value|reading|result|mean|average|avg|cond\w*|resistivity|σ|rho|ρ|% ?iacs|iacs|ms m|measured value",
        ),
        ("remark", r"remarks?|notes?|comments?"),
        ("run", r"run|series|study"),
        ("sensor", r"sensor"),
        ("name", r"name|job|file|id|identifier|label|designation|sample (id|name)"),
    ),
    "german": (
        ("standard_deviation", r"standard ?abw\w*|std ?abw\w*|streuung|s"),
        ("temperature_state", r"(temperatur|temp) ?(zustand|kompensation)|kompensation|zustand"),
        ("temperature_c", r"((metall|werkstuck|raum|umgebungs|teile?) ?)?temp\w*|t"),
        ("frequency_khz", r"(pruf|mess)?frequenz|freq|f"),
        ("coating_um", r"schichtdicke|lack\w*|beschichtung\w*|abhebung"),
        ("thickness_mm", r"(blech|wand|material|werkstuck)? ?(dicke|starke)"),
        ("radius_mm", r"(krummungs)?radius|krummung"),
        ("count", r"n|anzahl\w*|messungen"),
        ("sequence", r"(lfd |laufende |mess(ungs?)? ?)?(nr|nummer)|zahler|zeile"),
        ("measured_at", r"zeit(punkt|stempel)|datum( und)? (uhr)?zeit|wann|gemessen am"),
        ("measured_date", r"(mess)?datum|tag"),
        ("measured_time", r"(uhr|mess)?zeit"),
        ("meter", r"(mess|pruf)?gerate?( ?(nr|nummer))?|serien ?(nr|nummer)|instrument"),
        ("probe", r"sonden? ?(nr|nummer)?|mess ?sonde|tastkopf"),
        ("operator", r"prufer(in)?|bediener(in)?|anwender|benutzer|werker|gemessen von"),
        ("role", r"art|zweck|verwendung"),
        ("lot", r"chargen? ?(nr|nummer)?|los ?(nr|nummer)?|schmelze"),
        (
            "block",
            r"(referenz|vergleichs?|kalibrier|kontroll) ?(block|normal|korper|platte|teil)|normal|block|referenz",
        ),
        ("part", r"(bau)?teile? ?(nr|nummer)?|probe|stuck ?(nr|nummer)?|muster|werkstuck"),
        ("spot", r"(mess)? ?(stelle|punkt|position|ort)"),
        ("unit", r"(mess)?einheit"),
        ("value", r"(mess|mittel)?wert|ergebnis|(el )?leitfahigkeit|mittel|spez\w* widerstand|widerstand"),
        ("remark", r"bemerkung\w*|kommentar|notiz|anmerkung"),
        ("run", r"messreihe|reihe|serie|studie"),
        ("sensor", r"(temperatur)?fuhler|sensor"),
        ("name", r"name|bezeichnung|auftrag|job|datei|kennung"),
    ),
    "french": (
        ("standard_deviation", r"ecart ?type|s"),
        ("temperature_c", r"temp\w*( (du )?(metal|piece|ambiante))?|t"),
        ("frequency_khz", r"freq\w*|f"),
        ("coating_um", r"(epaisseur )?(du |de )?revetement|peinture"),
        ("thickness_mm", r"epaisseur\w*"),
        ("radius_mm", r"rayon|courbure"),
        ("count", r"n|nombre( de mesures)?"),
        ("sequence", r"(no|numero|nr)( de mesure)?|n"),
        ("measured_at", r"date( et)? heure|horodatage|date et l heure"),
        ("measured_date", r"date|jour"),
        ("measured_time", r"heure"),
        ("meter", r"appareil|instrument|(no|numero|n) (de |d )?(serie|appareil)"),
        ("probe", r"sonde|palpeur"),
        ("operator", r"operateur|operatrice|controleur|mesure par|par"),
        ("role", r"role|genre|usage|type"),
        ("lot", r"(no |numero )?(de )?lot|coulee"),
        ("block", r"(cale |bloc |piece )?(etalon|de reference)|cale|bloc|etalon|reference"),
        ("part", r"piece|echantillon|eprouvette"),
        ("spot", r"point|position|endroit|emplacement"),
        ("unit", r"unites?"),
        ("value", r"valeur\w*|mesure|conductivite|resistivite|resultat|moyenne"),
        ("remark", r"remarques?|commentaires?|observations?"),
        ("run", r"serie|etude"),
        ("sensor", r"capteur"),
        ("name", r"nom|designation|fichier|repere|tache"),
    ),
    "spanish": (
        ("standard_deviation", r"desv\w*( (estandar|est|tipica))?|s"),
        ("temperature_c", r"temp\w*( (del )?(metal|pieza|ambiente))?|t"),
        ("frequency_khz", r"frec\w*|f"),
        ("coating_um", r"(espesor )?(del? )?(recubrimiento|revestimiento|pintura)"),
        ("thickness_mm", r"espesor|grosor"),
        ("radius_mm", r"radio|curvatura"),
        ("count", r"n|cantidad|numero de lecturas|lecturas"),
        ("sequence", r"(no|num|numero|nr)( de (medida|lectura))?|n"),
        ("measured_at", r"fecha( y)? hora"),
        ("measured_date", r"fecha|dia"),
        ("measured_time", r"hora"),
        ("meter", r"equipo|instrumento|aparato|medidor|(no|num|numero|n) de serie"),
        ("probe", r"sonda|palpador"),
        ("operator", r"operador|operario|inspector|medido por"),
        ("role", r"funcion|uso|tipo"),
        ("lot", r"(no |numero )?(de )?lote|colada"),
        ("block", r"(bloque |pieza )?(patron|de referencia)|bloque|patron|referencia"),
        ("part", r"pieza|muestra|probeta"),
        ("spot", r"punto|posicion|lugar"),
        ("unit", r"unidad(es)?"),
        ("value", r"valor\w*|lectura|medida|conductividad|resistividad|resultado|media|promedio"),
        ("remark", r"observaci\w*|comentarios?|notas?"),
        ("run", r"serie|estudio"),
        ("sensor", r"sensor"),
        ("name", r"nombre|trabajo|archivo|identificacion"),
    ),
    "italian": (
        ("standard_deviation", r"(dev\w*|scarto)( (standard|std|tipo))?|s"),
        ("temperature_c", r"temp\w*( (del )?(metallo|pezzo|ambiente))?|t"),
        ("frequency_khz", r"freq\w*|f"),
        ("coating_um", r"(spessore )?(del )?(rivestimento|vernice)"),
        ("thickness_mm", r"spessore"),
        ("radius_mm", r"raggio|curvatura"),
        ("count", r"n|conteggio|(numero )?letture"),
        ("sequence", r"(no|num|numero|nr)( (di )?(misura|lettura))?|n"),
        ("measured_at", r"data( e)? ora"),
        ("measured_date", r"data|giorno"),
        ("measured_time", r"ora"),
        ("meter", r"strumento|apparecchio|matricola|(no|num|numero|n) di serie"),
        ("probe", r"sonda"),
        ("operator", r"operatore|operatrice|misurato da|controllore"),
        ("role", r"ruolo|uso|tipo"),
        ("lot", r"(numero )?(di )?lotto|colata"),
        ("block", r"(campione|blocco|blocchetto|provino) (di riferimento|campione)|blocc(o|hetto)|riferimento"),
        ("part", r"pezzo|campione|provino|particolare"),
        ("spot", r"punto|posizione|luogo"),
        ("unit", r"unita( di misura)?"),
        ("value", r"valore\w*|lettura|misura|conducibilita|conduttivita|resistivita|risultato|media"),
        ("remark", r"osservazion\w*|commento|note?|nota"),
        ("run", r"serie|studio"),
        ("sensor", r"sensore"),
        ("name", r"nome|commessa|identificativo"),
    ),
}
_STATISTICS = (
    ("count", r"n|count|number|readings|nr|anzahl|nombre|numero( (de|di)? ?(lecturas|letture))?|cantidad"),
    ("mean", r"mean|average|avg|x( bar)?|mittel(wert)?|durchschnitt|moyenne|media|promedio"),
    (
        "standard_deviation",
        r"s|sd|std( ?dev.*)?|stdev|standard deviation|st(andar)?d ?abw\w*|standardabweichung|ecart ?type|desv.*|dev .*|scarto.*",
    ),
    ("minimum", r"min|minimum|minimo|kleinster wert"),
    ("maximum", r"max|maximum|massimo|maximo|grosster wert"),
)


@cache
def _plain(name: str) -> str:
    """Return a name without accents and marks, in small letters."""
    bare = "".join(mark for mark in unicodedata.normalize("NFKD", name) if not unicodedata.combining(mark))
    bare = bare.casefold().replace("n°", "no").replace("º", "o").replace("ß", "ss")
    return re.sub(r"[\s_./:,-]+", " ", bare).strip() or name.strip()


@cache
def _target(plain: str, language: str) -> str | None:
    return next((target for target, words in _WORDS[language] if re.fullmatch(words, plain)), None)


def language_of(names: Iterable[str]) -> str:
    """Return the language in which most names of columns are words; English where that is none before another.

    Parameters
    ----------
    names
        Of columns and keys, without units.

    Returns
    -------
    str
    """
    plain = [_plain(name) for name in names]
    known = Counter({language: sum(_target(name, language) is not None for name in plain) for language in _WORDS})
    return known.most_common(1)[0][0]


def target_of_name(name: str, language: str = "english") -> str | None:
    """Return the column of readings that a name suggests, or None.

    A word of another language counts only where this one and English have none.
    """
    if language == "english" and name.strip().lower() in READING.names:
        return name.strip().lower()
    order = dict.fromkeys((language, "english", *_WORDS))
    return next((target for one in order if (target := _target(_plain(name), one)) is not None), None)


def statistic_of(label: str) -> str | None:
    """Return the figure that a label names, or None."""
    return next((name for name, words in _STATISTICS if re.fullmatch(words, _plain(label))), None)
