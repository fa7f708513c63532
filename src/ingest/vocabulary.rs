//! Words in column names, by what they mean, in the languages that logs come in.
//!
//! Each list holds patterns with commas between, lower case and without accents, for
//! [`Words::find`](super::profile::Words::find): `=` marks a whole word, `^` the beginning of
//! a word, `$` its end. Only stems that occur in no other technical word stand without a mark:
//! German, Dutch and Swedish write compounds as one word, and some scripts have no blanks.

// Columns that hold no quantity of the charging system.

pub const NOTE: &str = "
    =note, =notes, ^comment, =remark, =remarks, bemerkung, ^kommentar, anmerkung, =notiz,
    =notizen, ^comentario, ^commento, ^opmerking, ^uwag, =marker, =event, =events, ereignis,
    ^evenement, ^evento, =annotation, =annotations, =message, =text, примеч, 備考, メモ, 备注
";

pub const TIME: &str = "
    time, zeit, =temps, tiempo, =tempo, =ora, =hora, heure, tijd, czas, stamp, elapsed, =t, =sec,
    =secs, =s, second, sekund, =ms, millis, micros, =date, =datum, =data, fecha, =uhr, =clock,
    horodat, =utc, =epoch, =ts, =cas, =tid, =duree, врем, 時間, 時刻, 日時, 时间
";

pub const COUNTER: &str = "
    index, =nr, =no, =num, number, nummer, sample, =row, =zeile, count, =id, record, =line, =lp,
    =n, =idx, frame, packet, =#, messung
";

/// Quantities that only grow, but are not clocks.
pub const RUNNING_TOTAL: &str = "
    distance, =odo, odomet, mileage, strecke, =weg, distanc, energy, energie, =ah, =wh, =kwh,
    =soc, fuel, kraftstoff, =trip, latitude, longitude, =lat, =lon, altitude, pressure, druck,
    torque, total
";

/// Columns that say what the number beside them measures.
pub const SIGNAL_NAME: &str = "
    signal, parameter, channel, kanal, canal, sensor, =name, =pid, quantity, variable, messgrosse,
    grandeur, measurement, =field, =tag, =item, =key
";

/// Columns that hold the unit of the number beside them.
pub const UNIT_NAME: &str = "unit, units, einheit, unite, unidad, unita, eenheid, jednostka";

/// Names without meaning: channels of a general-purpose logger.
pub const GENERIC: &str = "
    ^ch, channel, kanal, canal, =analog, ^ain, =a, =adc, =pid, =signal, =input, eingang, =entree,
    =entrada, =ingresso, =ingang, ^wejscie, =column, =value, =wert, =valeur, =valor, =valore,
    =waarde, ^wartosc, =data, =measurement, messwert, reading, =y
";

// Voltages and where they are measured, currents and their direction.

pub const VOLTAGE: &str = "
    =volt, =volts, voltage, ^voltaj, spannung, =tension, =tensione, =tensao, spanning, ^napieci,
    ^napeti, jannite, =u, =v, ^ubat, ^vbat, =ub, =vb, =battv, =batv, =vsys, =usys, =vbus, =vpwr,
    =vsupply, =vign, напряж, 電圧, 电压
";

pub const BATTERY: &str = "
    batt, ^bater, =bat, =battv, =batv, =vbat, =ubat, =ibat, ^vbat, ^ubat, ^ibat, =vb, =ub, =v b,
    =u b, =accu, =accuspanning, =accustroom, ^akku, ^akumul, klemme 30, =kl 30, ^kl30, аккум,
    =акб, バッテリ, 電池, 电池, 电瓶
";

pub const ALTERNATOR: &str = "
    ^alternat, =alt, =altern, =gen, =ialt, =igen, =valt, =ualt, =vgen, =ugen, lichtmaschine,
    =lima, generator, ^generat, ^generador, =gerador, =dynamo, bplus, =post, =charging post,
    =charge post, =b plus, генератор, オルタネータ, 発電機, 发电机
";

pub const MODULE: &str = "
    =ecu, =ecm, =pcm, =dme, =bcm, =tcu, =module, =modul, =controller, =control unit, steuerger,
    =stg, ^centralin, ^calculateur, unidad de control, ^sterownik, sensor supply,
    sensorversorgung, klemme 15, ^kl15, =kl 15, =ignition, =ign, =vign, ^zundung, ^zuendung,
    ^regeleenheid, ^styrenhet, =эбу, コントローラ
";

/// The return path between engine and battery.
pub const GROUND: &str = "
    =ground, =gnd, =earth, =masse, =motormasse, massepunkt, masseband, masseabfall, massespannung,
    masseseite, =massa, =masa, =terre, =tierra, =terra, alternator case, alt case, generator case,
    engine block, motorblock, bloc moteur, battery negative, batt negative, battery neg, batt neg,
    =kl 31, klemme 31, ^kl31, kl 31, アース, масса двигателя, 搭铁
";

/// A voltage along a ground path, rather than against it.
pub const LOST: &str = "
    =drop, =drops, drop$, =loss, =lost, abfall, verlust, =chute, =caida, ^caduta, =queda, =val,
    ^spadek, =case to, =block to, =offset
";

/// Grounds other than the return path of the alternator.
pub const OTHER_GROUND: &str = "
    =body, chassis, karosserie, carrosserie, =air, =frame, =cabin, =dash, =shield, =loop, =fault
";

/// Voltages of sensors and other signals.
pub const SIGNAL: &str = "
    =sensor, =sensors, sensor$, =tps, =throttle, drossel, =pedal, pedal$, =map, =maf, =o 2, =o2,
    =o2s, =ho2s, lambda, =cell, =cells, zelle, =cellule, =ref, =reference, =5v, =signal, signal$,
    =knock, klopf, =ripple, =ntc, =sonda, =sonde, sonde$, =wideband, =potentiometer
";

/// Setpoints, limits and statistics, rather than measured values.
pub const DERIVED: &str = "
    =target, =soll, sollwert, solldrehzahl, sollspannung, =setpoint, =set point, =consigne,
    =desired, =limit, =limiter, =max, =min, =peak, =maximum, =minimum, =threshold, =avg5,
    =objetivo, =request, =requested, =commanded, =ziel, =nominal
";

pub const CURRENT: &str = "
    =current, =currents, current$, =amps, ^ampere, =amp, =amperage, strom$, ^strom, =courant,
    =corriente, =corrente, stroom$, =prad, ^intensit, =i, ^ibat, ^ialt, ^igen, =ток, 電流, 电流
";

pub const DISCHARGE: &str = "
    discharg, entlade, ^decharg, ^descarg, ^scarica, ontlaad, ontlad, ^rozlad, =drain, =draw,
    =out
";

pub const CHARGE: &str = "
    =charge, =charging, =charger, ^lade, batterielade, =carga, =carica, ^laadstroom, ^ladow
";

// Speeds and temperatures.

pub const ENGINE: &str = "
    =engine, ^engine, =eng, motor$, ^motor, =moteur, ^silnik, =crank, =crankshaft, kurbelwelle,
    двигател, エンジン, 発動機, 发动机
";

pub const SPEED: &str = "
    =speed, speed$, =vitesse, =velocidad, ^velocita, =velocidade, =snelheid, ^predkosc,
    geschwindigkeit
";

pub const RPM: &str = "
    rpm$, ^rpm, drehzahl, =regime, ^regimen, =giri, =revs, =rev, ^tacho, =tach, toeren, ^obroty,
    ^obrot, ^rotac, ^rotation, ^revolu, umdreh, varvtal, ^otacky, =nmot, =n mot, =neng, =n eng,
    =n engine, =nengine, =eng n, =vueltas, оборот, 回転, 转速
";

/// Speeds other than that of the engine.
pub const OTHER_SPEED: &str = "
    =turbo, =wheel, =rad, =roue, =rueda, =ruota, =vehicle, fahrzeug, =car, =road, =ground,
    =input shaft, =output shaft, =gearbox, getriebe, =gps, =turbine, =trans, =transmission
";

pub const COOLANT: &str = "
    coolant, =ect, =clt, =cts, =water, wasser, kuhlm, kuehlm, kuhlfl, kuehlfl, ^refroid, =eau,
    ^refriger, =agua, =acqua, ^raffredd, =arref, ^arrefec, ^koelv, ^koelw, ^plyn, ^chlod, ^kylv,
    engine temp, =engtemp, =tengine, =teng, =t eng, =tmot, =t mot, =tclt, =tcw, motortemp,
    moteur temp, temperature moteur, temperatura motor, temperatura silnik, =ewt, =ож, охлажд, 水温,
    冷却水, 冷却液
";

pub const INTAKE: &str = "
    =intake, =iat, =tiat, =inlet, =mat, ansaug, ladeluft, =admission, ^admision, ^aspiraz,
    ^aspirat, ^admissao, ^inlaat, ^dolot, ^ssan, =charge air, =air charge, ^insug, =manifold,
    =intakeair, впуск, 吸気, 进气
";

pub const AMBIENT: &str = "
    =ambient, =outside, =oat, =aat, ^aussen, umgebung, =ambiant, =ambiante, ^exterieur, ^estern,
    ^exterior, ^buiten, ^otocz, ^zewn, =outdoor, ^omgeving, =external, =extern, =tamb, 外気, наружн
";

/// Temperatures, also by their abbreviations.
pub const TEMPERATURE: &str = "
    ^temp, temp$, temperat, =ect, =clt, =iat, =oat, =aat, =cts, =ewt, =tclt, =tcw, =tiat, =tamb,
    =teng, =tmot, 水温, 温度
";

/// Words that resemble temperature.
pub const NO_TEMPERATURE: &str = "=temps, =tempo, =tempi, tempomat, =template";

/// Temperatures without a role here.
pub const OTHER_PLACE: &str = "
    =oil, =ol, ^oltemp, ^oeltemp, motorol, motoroel, getriebeol, =oiltemp, =huile, =aceite, =olio,
    =oleo, =olie, ^olej, =exhaust, =egt, abgas, fuel temp, kraftstofftemp, =gearbox, getriebe,
    =transmission, =trans, =cabin, ^innen, =cat, ^catal, katalysator, =brake, =tire, =tyre, =cpu,
    =board, =logger
";

// Consumers of current, and names that resemble them.

pub const CONSUMER: &str = "
    =fan, =fans, =gmv, ^fan, =coolingfan, =radfan, =radiatorfan, =efan, ^lufter, ^luefter,
    kuhlerlufter, kuehlerluefter, motorlufter, motorluefter, zusatzlufter, zusatzluefter,
    elektrolufter, elektroluefter, heizungslufter, innenraumlufter, ^ventilator, ^ventilateur,
    ^ventilad, ^motoventil, ^ventola, ^ventole, ^elettroventol, ^ventoinha, ^wentylator, ^blower,
    geblase, geblaese, ^souffl, ^soffiant, ^soplador, ^dmuchaw, ^aanjager, ^flakt, flakt$,
    =ac, =a c, ^aircon, =air con, air cond, ^climat, =clim, ^klima, =hvac, =compressor,
    =compresor, =compressore, ^kompressor, kompressor$, ^compresseur, ^sprezark, =airco,
    =acclutch, =acrelay,
    =lamp, =lamps, =lampe, =lampen, =lampade, =lampada, =lampara, =lamparas, ^headlamp, ^foglamp,
    ^koplamp, lampen$, =light, =lights, =lighting, ^headlight, ^foglight, ^taillight, =licht,
    =lichter, licht$, ^lichtschalter, ^lichtrelais, scheinwerfer, =phare, =phares, =feux, =faro,
    =faros, =fari, =farol, =farois, =luce, =luci, =luz, =luces, =luzes, verlichting, ^swiatl,
    ^reflektor, =highbeam, =high beam, =high beams, =low beam, =low beams, =lowbeam, ^abblend,
    belysning, ^stralkastar,
    =pump, =pumps, =fuelpump, =waterpump, =airpump, =pumpe, =pumpen, pumpe$, pumpen$,
    pumpenrelais, =pompe, =pompes, =pompa, =bomba, =bombas, =pompy, =pomp, =brandstofpomp,
    =heater, =heaters, =heating, =heated, =seatheater, ^heiz, heizung, heizer$, ^chauff, ^riscald,
    ^calefac, =calentador, ^aquec, verwarming, ^ogrzew, ^defrost, ^demist, ^defog, ^degivr, =glow,
    =glowplug, =glowplugs, ^gluhkerze, ^gluehkerze, ^desempan, =lunotto, =luneta,
    =wiper, =wipers, wischer, =essuie, ^essuie, ^tergi, ^limpiapara, ruitenwisser, ^wisser,
    ^wycieracz, =stereo, =audio, =amplifier, =winch, =inverter, =horn, =hupe, вентилят, кондицион,
    =фары, =свет, насос, обогрев, печк, ファン, エアコン, ブロワ, ライト, ランプ, ポンプ, 风扇, 空调, 大灯
";

/// Words for a consumer of unknown kind.
pub const ANY_LOAD: &str = "
    =relay, =relays, relay$, =relais, relais$, =rele, =reles, ^przekaznik, =load, =loads,
    =consumer, =consumers, verbraucher, =carga, =cargas, =carico, =charge electrique, =belasting,
    ^obciaz, ^consommateur, =accessory, =accessories, ^zubehor, =реле, リレー, 继电器
";

/// "Load" alone often means engine load in percent.
pub const BARE_LOAD: &str = "=load, =loads, =carga, =cargas, =carico, =belasting, ^obciaz";

pub const DUTY: &str = "=duty, duty$, =pwm, pwm$, =dc, tastverhaltnis";

/// Other properties of a consumer than its state.
pub const NOT_A_STATE: &str = "
    =pressure, =press, druck$, =pression, =presion, =pressione, =pressao, ^cisnien, =flow, flow$,
    durchfluss, =debit, =level, fullstand, fuellstand, =hours, =runtime, =run time, =on time,
    =count, =counter, =counts, =cycles, =fault, =faults, =error, =errors, fehler, =defaut, =mil,
    =check engine, =checkengine, =warning, =dtc, =dtcs, =code, =codes, =cleared, =since,
    =warm ups, =warmups, =distance, =odometer, =mileage, =trip, =position, =threshold, =shift,
    =indicator
";

/// What the engine management measures and controls all the time (mixture, air, spark, exhaust):
/// its duty is not a load that somebody switches.
pub const ENGINE_CONTROL: &str = "
    lambda, =o 2, =o2, =o2s, =ho2s, =oxygen, =wideband, =afr, =air fuel, =fuel air, =mixture,
    =gemisch, ^equiv, =ratio, =stoich, sonde$, sonden, =sonda, ^inject, einspritz, =wastegate,
    =boost, =purge, ^evap, =canister, =vvt, =egr, =agr, =iac, =idle valve, =idle air,
    leerlaufregler, =throttle, drossel, =pedal, pedal$, =accelerator, =tps, =trim, =trims, ^catal,
    katalysator, =advance, =timing, =spark, =knock, =pcv, =crankcase, =secondary air, =barometric,
    =manifold
";

/// Engine load: torque, not current.
pub const TORQUE_LOAD: &str = "
    engine load, =engineload, =eng load, motorlast, =calculated load, =calc load, =absolute load,
    =abs load, =load abs, =relative load, =load pct, =load percent, =load value, =loadvalue,
    =torque, drehmoment, charge moteur, carga motor, carga del motor, carga do motor,
    carico motore, obciazenie silnik, motorbelasting
";
