"use strict";
// The reader's calculator. What it reckons is what the library reckons (listening, need,
// exposure); its numbers and its words come from the record beside it. A test compares the two.
for (const box of document.querySelectorAll(".upheld-report .calculator")) {
  const d = JSON.parse(box.querySelector("script").textContent);
  const field = (name) => box.querySelector(`[data-field="${name}"]`);
  const say = (name, text) => { box.querySelector(`[data-say="${name}"]`).textContent = text; };
  const at = {};

  const db = (power) => 10 * Math.log10(power);
  const power = (level) => 10 ** (level / 10);
  const clip = (x, low, high) => Math.min(Math.max(x, low), high);

  // rooms: Hopkins–Stryker over the stretch that levels are named by; listening: the trade's sum
  function typical(hz) {
    const xs = d.directivity_hz, ys = d.directivity_db;
    if (hz <= xs[0]) return ys[0];
    for (let i = 1; i < xs.length; i++) {
      if (hz <= xs[i]) {
        const part = Math.log(hz / xs[i - 1]) / Math.log(xs[i] / xs[i - 1]);
        return ys[i - 1] + part * (ys[i] - ys[i - 1]);
      }
    }
    return ys[ys.length - 1];
  }
  function inRoom(q, metres, back) {
    const factor = q / (4 * Math.PI);
    return db((factor / metres ** 2 + back) / factor);
  }
  function arrival(place, metres, count) {
    const together = db(count), free = -20 * Math.log10(metres);
    const from = Math.min(Math.max(d.nominal_hz[0], 2 * place.schroeder_hz), d.whole_from_hz);
    const modalLow = free + together;
    const modalHigh =
      Math.max(free, inRoom(1, metres, place.back_live)) + 2 * together + d.modal_gain_db;
    let low = 0, high = 0, points = 0;
    for (let k = d.grid_first; ; k++) {
      const hz = 1000 * d.grid_ratio ** (k / d.grid_per_octave);
      if (hz >= d.nominal_hz[1]) break;
      if (hz < from) continue;
      const index = typical(hz), share = clip(Math.log2(hz / place.schroeder_hz), 0, 1);
      const sharp = power(index + d.directivity_tolerance_db);
      const blunt = power(Math.max(index - d.directivity_tolerance_db, 0));
      const dead = together + inRoom(sharp, metres, place.back_dead);
      const live = together + inRoom(blunt, metres, place.back_live);
      low += power(modalLow + share * (dead - modalLow));
      high += power(modalHigh + share * (live - modalHigh));
      points += 1;
    }
    return [
      Math.min(free + together + d.room_gain_db[0], db(low / points) + d.free_db),
      Math.max(free + together + d.room_gain_db[1], db(high / points) + d.free_db),
    ];
  }

  // need: the loss of a band over a range of levels, from [level, loss or null, half-width]
  function lossAt(level, told) {
    const i = told.findIndex((point) => point[0] >= level - 1e-9), upper = told[i];
    const below = told.filter((point) => point[0] < level - 1e-9), lower = below[below.length - 1];
    if (!lower && level < upper[0] - 1e-9) {
      const most = Math.max(upper[1] + upper[2], 0), hot = 10 ** (most / 20);
      const left = (hot - 1) * hot * power(level - upper[0]);
      return [Math.min(upper[1] - upper[2], 0), Math.min(most, 20 * Math.log10(1 + left))];
    }
    if (!lower) return [upper[1] - upper[2], upper[1] + upper[2]];
    const share = (level - lower[0]) / (upper[0] - lower[0]);
    const straight = lower[1] + share * (upper[1] - lower[1]);
    const u95 = lower[2] + share * (upper[2] - lower[2]);
    const latest = Math.min(straight, Math.max(lower[1], upper[1] - (upper[0] - level)));
    return [latest - u95, straight + u95];
  }
  function lossOver(points, low, high) {
    const last = points.length ? points[points.length - 1][0] : -Infinity;
    if (low > last) return { beyond: true };
    const beyond = high > last, reach = Math.min(high, last);
    const told = points.filter((point) => point[1] !== null);
    if (!told.length || reach > told[told.length - 1][0] + 1e-9) return { beyond };
    const inside = told.map((point) => point[0]).filter((level) => low < level && level < reach);
    const ranges = [low, ...inside, reach].map((level) => lossAt(level, told));
    return {
      beyond,
      low: Math.min(...ranges.map((range) => range[0])),
      high: Math.max(...ranges.map((range) => range[1])),
    };
  }
  function judged(loss) {
    if (loss.low > d.just_within_db) return "no";
    if (loss.beyond) return "not tested";
    if (loss.high === undefined || loss.high > d.just_within_db) return "can't tell";
    return loss.high <= d.yes_within_db ? "yes" : "just";
  }
  const gravest = (found) => d.gravest_first.find((answer) => found.includes(answer));

  // exposure: levels rounded up, times down
  const niosh = (dba) => (dba >= d.niosh_ceiling_dba ? 0 : 28800 / 2 ** ((dba - 85) / 3));
  const whoItu = (dba) => 144000 / 10 ** ((dba - 80) / 10);
  function duration(seconds) {
    const unit = seconds >= 7200 ? 3600 : seconds >= 120 ? 60 : 1;
    const size = 10 ** (Math.floor(Math.log10(seconds / unit)) - 1);
    const value = Math.floor(seconds / unit / size + 1e-9) * size;
    const names = { 3600: "h", 60: "min", 1: "s" };
    return `${Number(value.toPrecision(3))} ${names[unit]}`;
  }

  // words
  function number(value, digits) {
    const text = value.toFixed(digits);
    return (Number(text) ? text : text.replace("-", "")).replace("-", "−");
  }
  const plain = (value) => String(Number(value.toPrecision(6)));
  function fill(name, values) {
    return d.words[name].replace(/\{(\w+)\}/g, (whole, key) => (key in values ? values[key] : whole));
  }
  function ears(level) {
    const day = niosh(level), week = whoItu(level), values = { level: number(level, 0) };
    values.day = day > 0 ? duration(day) : d.words["no time"];
    values.week = duration(week);
    if (day < 86400) return fill("ears", values);
    return fill(week < 604800 ? "ears week" : "ears free", values);
  }

  function reckon() {
    const place = d.places[at.place], need = d.needs[at.need];
    const own = at.level === need.average_db && at.crest === need.crest_db;
    const level = `${plain(at.level)} dB${need.weighting}`, crest = number(at.crest, 0);
    const everywhere = arrival(place, at.distance, at.loudspeakers);
    const way = need.shared ? everywhere : arrival(place, at.distance, 1);
    const wanted = at.level - need.weighting_db, toPeak = at.crest - d.sine_crest_db;
    const low = wanted - way[1], high = wanted - way[0];
    const peaks = d.bands.map((b) => lossOver(b.peaks, low + toPeak + b.share_db, high + toPeak));
    const average = d.bands.map((band) => lossOver(band.average, low, high));
    const inPeaks = gravest(peaks.map(judged)), inAverage = gravest(average.map(judged));
    let answer = gravest([inPeaks, inAverage]);
    if (d.played_to_db === null) {
      answer = ["yes", "just"].includes(inPeaks) ? "peaks only" : inPeaks;
    }
    say("answer", fill(answer, {
      name: d.name,
      what: own ? need.name : fill("what", { level, crest }),
      place: fill("place", {
        distance: plain(at.distance),
        count: d.counts[at.loudspeakers] || fill("count", { count: at.loudspeakers }),
        where: place.where,
      }),
    }));
    say("asks", fill(need.shared ? "asks" : "asks each", {
      low: number(low, 0), high: number(high, 0),
      peak_low: number(low + toPeak, 0), peak_high: number(high + toPeak, 0),
    }));
    say("arrives", d.given_db === null ? d.words["arrives not"] : fill("arrives", {
      low: number(d.given_db + everywhere[0], 0), high: number(d.given_db + everywhere[1], 0),
    }));
    const dba = Math.ceil(wanted + d.programme_db - 1e-6);
    say("ears", ears(dba));
    say("caution", [
      dba >= d.caution_from_dba ? d.words["mind ears"] : "",
      ["no", "not tested"].includes(answer) ? d.words["mind equipment"] : "",
    ].join(" ").trim());
    d.bands.forEach((_, i) => {
      show(`peaks-${i}`, peaks[i]);
      show(`average-${i}`, average[i]);
    });
    for (const [name, text] of Object.entries({
      distance: `${plain(at.distance)} m`, loudspeakers: String(at.loudspeakers),
      level, crest: `+${crest} dB`,
    })) {
      say(name, text);
      field(name).value = at[name];
      field(name).setAttribute("aria-valuetext", text);
    }
  }
  function show(name, loss) {
    const cell = box.querySelector(`[data-loss="${name}"]`), known = loss.high !== undefined;
    const least = Math.max(loss.low, 0), most = Math.max(loss.high, 0);
    const words = known ? (loss.beyond ? "loss so far" : "loss") : loss.beyond ? "untested" : "untold";
    cell.dataset.answer = judged(loss);
    cell.firstElementChild.style.setProperty("--least", known ? least : 0);
    cell.firstElementChild.style.setProperty("--most", known ? most : 0);
    cell.lastElementChild.textContent =
      known ? fill(words, { least: number(least, 1), most: number(most, 1) }) : d.words[words];
  }

  function take(name) {
    at[name] = Number(field(name).value);
    if (name === "place") {
      at.distance = d.places[at.place].distance_m;
      at.loudspeakers = d.places[at.place].loudspeakers;
    }
    if (name === "need") {
      at.level = d.needs[at.need].average_db;
      at.crest = d.needs[at.need].crest_db;
    }
  }
  field("place").value = "0";
  field("need").value = String(d.start_need);
  take("place");
  take("need");
  for (const name of ["place", "need", "distance", "loudspeakers", "level", "crest"]) {
    field(name).addEventListener("input", () => { take(name); reckon(); });
  }
  reckon();
  box.hidden = false;
}
