//! Words of the trade in the languages logs come in, folded to lower case
//! without accents. `=` marks a whole word, `^` a word's beginning; the rest
//! may stand anywhere, since German and Dutch glue words together.

pub const VOLTAGE: &[&str] = &[
    "volt", "spannung", "=tension", "tension ", "tensione", "tensao", "voltaj", "spanning", "napiecie", "napeti",
    "jannite", "=u", "^ubat", "^vbat", "=v", "spanning",
];
pub const BATTERY: &[&str] = &[
    "batt", "bater", "=bat", "vbat", "ubat", "=accu", "accuspanning", "accustroom", "akku", "akumul", "klemme 30",
    "=kl 30", "^kl30", "kl 30",
];
pub const ALTERNATOR: &[&str] = &[
    "alternat", "=alt", "lichtmaschine", "=lima", "generator", "generateur", "generatore", "generador", "gerador",
    "dynamo", "bplus", "=post", "charging post", "charge post", "=b plus", "=laddgenerator",
];
pub const MODULE: &[&str] = &[
    "=ecu", "=ecm", "=pcm", "=dme", "=bcm", "=tcu", "module", "modul", "controller", "control unit", "steuerger", "=stg",
    "centralina", "calculateur", "unidad de control", "sterownik", "sensor supply", "sensorversorgung", "klemme 15",
    "^kl15", "kl 15", "ignition", "zundung", "=ign", "regeleenheid", "styrenhet",
];
/// Voltages that are signals of something else.
pub const SIGNAL: &[&str] = &[
    "sensor", "=tps", "throttle", "drossel", "pedal", "=map", "=maf", "=o 2", "o2", "lambda", "=cell", "=cells", "zelle",
    "cellule", "=ref", "reference", "=5v", "signal", "knock", "klopf", "ripple", "=ntc", "sonda", "sonde", "wideband",
];
/// What is wished for or summed up, not what was there.
pub const DERIVED: &[&str] = &[
    "target", "=soll", "sollwert", "solldrehzahl", "sollspannung", "setpoint", "set point", "consigne", "desired",
    "=limit", "limiter", "=max", "=min", "=peak", "=maximum", "=minimum", "threshold", "=avg5", "objetivo", "request",
    "commanded", "=ziel", "=nominal",
];
pub const CURRENT: &[&str] = &[
    "current", "amps", "ampere", "=amp", "amperage", "strom", "courant", "corriente", "corrente", "stroom", "prad ",
    "=prad", "intensit", "=i", "^ibat", "^ialt", "=strom",
];
pub const DISCHARGE: &[&str] = &[
    "discharg", "entlade", "decharge", "descarga", "scarica", "ontlaad", "ontlad", "rozlad", "drain", "=draw", "=out",
];
pub const CHARGE: &[&str] = &["charg", "lade", "=carga", "carica", "laadstroom", "ladow"];
pub const ENGINE: &[&str] = &["engine", "motor", "moteur", "silnik", "crank", "kurbelwelle"];
pub const SPEED: &[&str] = &[
    "speed", "vitesse", "velocidad", "velocita", "velocidade", "snelheid", "predkosc", "geschwindigkeit",
];
pub const RPM: &[&str] = &[
    "rpm", "drehzahl", "=regime", "regime ", "regimen", "=giri", "giri ", "=revs", "=rev", "tacho", "=tach", "toeren",
    "obroty", "obrot", "rotac", "rotation", "revolu", "umdreh", "varvtal", "otacky", "=nmot", "=n mot", "=toerental",
    "vueltas",
];
/// Speeds that are not the engine's.
pub const OTHER_SPEED: &[&str] = &[
    "turbo", "wheel", "=rad", "roue", "rueda", "ruota", "vehicle", "fahrzeug", "=car", "=road", "ground", "input shaft",
    "output shaft", "gearbox", "getriebe", "=gps",
];
pub const COOLANT: &[&str] = &[
    "coolant", "=ect", "=clt", "=cts", "water", "wasser", "kuhlm", "kuhlfl", "refroid", "=eau", "d eau", "refriger",
    "=agua", "del agua", "=acqua", "raffredd", "=arref", "arrefec", "koelv", "koelw", "plyn", "chlod", "kylv", "engine temp",
    "motortemp", "moteur temp", "temperature moteur", "temperatura motor", "temperatura silnik", "=ewt",
];
pub const INTAKE: &[&str] = &[
    "intake", "=iat", "inlet", "=mat", "ansaug", "ladeluft", "admission", "admision", "aspiraz", "aspirata", "admissao", "inlaat",
    "dolot", "ssan", "charge air", "air charge", "insug", "manifold",
];
pub const AMBIENT: &[&str] = &[
    "ambient", "outside", "=oat", "aussen", "umgebung", "ambiant", "exterieur", "estern", "exterior", "buiten", "otocz",
    "zewn", "outdoor", "omgeving", "extern",
];
/// Temperatures of things that have no role here.
pub const OTHER_PLACE: &[&str] = &[
    "=oil", "=ol", "oltemp", "oeltemp", "huile", "aceite", "=olio", "oleo", "=olie", "olej", "exhaust", "=egt", "abgas",
    "fuel temp", "kraftstofftemp", "gearbox", "getriebe", "transmission", "cabin", "innen", "=cat", "catalyst", "brake",
    "tire", "tyre", "cpu", "board", "logger",
];
/// Consumers; a name may hold several.
pub const CONSUMER: &[&str] = &[
    // radiator and cabin fans
    "=fan", "=fans", "^fan", "fan ", "cooling fan", "radfan", "lufter", "luefter", "ventilat", "ventilad", "ventola", "ventoinha",
    "wentylator", "blower", "geblase", "geblaese", "souffl", "soffiant", "soplador", "dmuchaw", "aanjager", "flakt",
    // air conditioning
    "=ac", "aircon", "air con", "climat", "=clim", "klima", "=hvac", "compressor", "kompressor", "compresseur", "compresor",
    "compressore", "sprezark", "airco", "acclutch", "acrelay",
    // lamps
    "lamp", "=light", "=lights", "headlight", "headlamp", "foglight", "licht", "scheinwerfer", "=phare", "=phares", "=feux",
    "=faro", "=faros", "=fari", "=farol", "farois", "=luce", "=luci", "=luz", "=luces", "=luzes", "verlichting", "koplamp",
    "swiatl", "reflektor", "highbeam", "high beam", "low beam", "lowbeam", "fernlicht", "abblend", "belysning", "stralkastare",
    // pumps
    "pump", "pompe", "bomba", "pompa", "=pomp", "brandstofpomp",
    // heat
    "heater", "heating", "heated", "heiz", "chauff", "riscald", "calef", "calent", "aquec", "verwarm", "ogrzew", "defrost",
    "demist", "defog", "degivr", "glow", "gluhkerze", "desempan", "lunotto", "luneta",
    // the rest
    "wiper", "wischer", "essuie", "tergi", "limpia", "wisser", "wycieracz", "stereo", "=audio", "amplifier", "winch", "inverter",
    "=horn", "=hupe", "solenoid", "=seat heat",
];
/// Names that say "a consumer" and not which.
pub const ANY_LOAD: &[&str] = &[
    "relay", "relais", "=rele", "=reles", "relè", "przekaznik", "=load", "=loads", "^load", "consumer", "verbraucher",
    "=last", "=carga", "=cargas", "=carico", "=charge electrique", "belasting", "obciaz", "consommateur", "=accessory",
    "accessories", "zubehor",
];
/// What turns the name of a consumer into the name of a measurement at it.
pub const NOT_A_STATE: &[&str] = &[
    "pressure", "druck", "pression", "presion", "pressione", "pressao", "cisnien", "flow", "durchfluss", "debit", "level",
    "hours", "count", "fault", "error", "fehler", "defaut", "=mil", "check engine", "checkengine", "warning", "dtc",
    "position", "threshold",
];
/// Loads of another kind: torque, not amps.
pub const TORQUE_LOAD: &[&str] = &[
    "engine load", "engineload", "motorlast", "calculated load", "calc load", "absolute load", "charge moteur",
    "carga motor", "carga del motor", "carico motore", "loadvalue", "load value", "obciazenie silnik", "motorbelasting",
    "carga do motor",
];
pub const NOTE: &[&str] = &[
    "note", "comment", "remark", "bemerkung", "kommentar", "anmerkung", "notiz", "comentario", "commento", "opmerking",
    "uwag", "=marker", "=event", "=events", "ereignis", "evenement", "evento", "annotation", "=message", "=text",
];
pub const TIME: &[&str] = &[
    "time", "zeit", "=temps", "tiempo", "=tempo", "=ora", "=hora", "heure", "tijd", "czas", "stamp", "elapsed", "=t",
    "=sec", "=secs", "=s", "second", "sekund", "=ms", "millis", "micros", "=date", "=datum", "=data", "fecha", "=uhr",
    "=clock", "horodat", "=utc", "=epoch", "=ts", "=cas", "=tid", "=duree",
];
pub const COUNTER: &[&str] = &[
    "index", "=nr", "=no", "=num", "number", "nummer", "sample", "=row", "=zeile", "count", "=id", "record", "=line", "=lp",
    "=n", "=idx", "frame", "packet", "=#", "messung",
];
/// Names that say nothing: channels of a general logger.
pub const GENERIC: &[&str] = &[
    "^ch", "channel", "kanal", "canal", "analog", "^ain", "=a", "input", "eingang", "entree", "entrada", "ingresso", "ingang",
    "wejscie", "column", "value", "wert", "valeur", "valor", "valore", "waarde", "wartosc", "=data", "measurement", "messwert",
    "=y",
];
