"use strict";
// Chance: how often guessing gives at least this many right. Exact, summed in logarithms.
function chanceOfAtLeast(right, asked) {
  let logTerm = -asked * Math.LN2, total = 0;
  const terms = [];
  for (let k = 0; k <= asked; k += 1) {
    terms.push(logTerm);
    logTerm += Math.log(asked - k) - Math.log(k + 1);
  }
  for (let k = asked; k >= Math.max(right, 0); k -= 1) total += Math.exp(terms[k]);
  return Math.min(total, 1);
}

// Up and down: two answers "moves" in a row make the next tone narrower, one answer "warm" makes it wider;
// settles where 70.7 % of the answers are "moves" (Levitt 1971). Steps are ratios of extent.
class UpDown {
  constructor(startCents, settings) {
    this.settings = settings;
    this.startCents = startCents;
    this.extentCents = startCents;
    this.inARow = 0;
    this.direction = 0;
    this.turns = [];
    this.trials = 0;
    this.atLimit = 0;
  }
  get done() {
    return this.turns.length >= this.settings.turns || this.trials >= this.settings.most_trials;
  }
  answer(moves) {
    if (this.done) return;
    this.trials += 1;
    let step = 0;
    if (moves) {
      this.inARow += 1;
      if (this.inARow === 2) { step = -1; this.inARow = 0; }
    } else {
      step = 1;
      this.inARow = 0;
    }
    if (step === 0) return;
    if (this.direction !== 0 && step !== this.direction) this.turns.push(this.extentCents);
    this.direction = step;
    const ratio = this.turns.length < this.settings.rough_turns ? this.settings.rough_ratio : this.settings.fine_ratio;
    const asked = this.extentCents * ratio ** step;
    this.extentCents = Math.min(Math.max(asked, this.settings.narrowest_cents), this.settings.widest_cents);
    if (asked !== this.extentCents) this.atLimit += 1;
  }
  // Geometric mean of the turns after the rough ones, and its standard error as a factor.
  result() {
    const logs = this.turns.slice(this.settings.rough_turns).map(Math.log);
    if (logs.length < 4) return null;
    const mean = logs.reduce((a, b) => a + b, 0) / logs.length;
    const variance = logs.reduce((a, b) => a + (b - mean) ** 2, 0) / (logs.length - 1);
    return { limitCents: Math.exp(mean), factor: Math.exp(Math.sqrt(variance / logs.length)), turns: logs.length, atLimit: this.atLimit };
  }
}

// A tone whose vibrato is known exactly: phase is the running integral of the frequency.
function toneSamples(sampleRate, pitchHz, rateHz, extentCents, settings) {
  const count = Math.round(settings.tone_s * sampleRate);
  const samples = new Float32Array(count);
  const top = Math.min(12000, 0.45 * sampleRate);
  const highest = pitchHz * 2 ** (extentCents / 1200);
  const partials = [];
  for (let k = 1; k <= Math.max(1, Math.floor(top / highest)); k += 1) partials.push([k, 1 / (k * (1 + (k * pitchHz / 1500) ** 2))]);
  let phase = 0, peak = 0;
  for (let i = 0; i < count; i += 1) {
    let value = 0;
    for (const [k, amplitude] of partials) value += amplitude * Math.sin(k * phase);
    samples[i] = value;
    peak = Math.max(peak, Math.abs(value));
    phase += 2 * Math.PI * pitchHz * 2 ** (extentCents * Math.sin(2 * Math.PI * rateHz * (i + 0.5) / sampleRate) / 1200) / sampleRate;
  }
  const fade = Math.round(settings.fade_s * sampleRate), gain = 10 ** (settings.peak_dbfs / 20) / peak;
  for (let i = 0; i < count; i += 1) {
    const edge = Math.min(i, count - 1 - i, fade) / fade;
    samples[i] *= gain * (0.5 - 0.5 * Math.cos(Math.PI * edge));
  }
  return samples;
}

// Share of notes whose extent is above a limit known at some rates: between them log extent runs straight on
// rate, beyond them it stays.
function shareAbove(notes, limits) {
  const points = [...limits].sort((a, b) => a[0] - b[0]);
  const limitAt = (rate) => {
    if (rate <= points[0][0]) return points[0][1];
    for (let i = 1; i < points.length; i += 1) {
      const [r0, e0] = points[i - 1], [r1, e1] = points[i];
      if (rate <= r1) return Math.exp(Math.log(e0) + (Math.log(e1) - Math.log(e0)) * (rate - r0) / (r1 - r0));
    }
    return points[points.length - 1][1];
  };
  const above = notes.filter(([rate, extent]) => extent > limitAt(rate)).length;
  return { above, of: notes.length };
}

const chanceWords = (p) => (p < 0.001 ? "less than 1 in 1,000" : p < 0.0995 ? `${(100 * p).toPrecision(2)} in 100` : `${Math.round(100 * p)} in 100`);
const set = (element, text) => { element.textContent = text; };

// --- pairs

function startPairs() {
  const pairs = [...document.querySelectorAll(".pair")];
  const total = document.getElementById("tally");
  const count = (input) => {
    const value = Number(input.value || 0);
    return Number.isInteger(value) && value >= 0 && value <= 100000 ? value : NaN;
  };
  const sum = () => {
    let right = 0, asked = 0, wrong = false;
    for (const pair of pairs) {
      const hands = ["A", "B"].map((side) => count(pair.querySelector(`input[data-side="${side}"]`)));
      if (hands.some(Number.isNaN)) { wrong = true; continue; }
      right += hands[pair.dataset.answer === "A" ? 0 : 1];
      asked += hands[0] + hands[1];
    }
    if (wrong) return set(total, "A number of hands is a whole number from 0 to 100,000.");
    if (!asked) return set(total, "No answers yet.");
    const p = chanceOfAtLeast(right, asked);
    set(total, `${right} of ${asked} answers are right (${Math.round(100 * right / asked)} %). Guessing gives as many or more with a chance of ${chanceWords(p)} (binomial, one-sided, if every answer is given without knowing the others).`);
  };
  for (const pair of pairs) {
    const shown = pair.querySelector(".answer");
    pair.querySelector(".reveal").addEventListener("click", () => { shown.hidden = false; sum(); });
    for (const input of pair.querySelectorAll("input")) input.addEventListener("input", () => { if (!shown.hidden) sum(); });
  }
  const sounds = [...document.querySelectorAll("audio")];
  for (const sound of sounds) {
    sound.volume = 0.7;
    sound.addEventListener("play", () => { for (const other of sounds) if (other !== sound) other.pause(); });
  }
}

// --- the ear's own limit

function startLimit(data) {
  const box = document.getElementById("limit");
  const at = (name) => box.querySelector(`.${name}`);
  const [begin, play, moves, warm] = ["begin", "play", "moves", "warm"].map(at);
  let context = null, source = null, runs = [], current = null, straight = false, catches = [0, 0], shown = 0;
  const random = Math.random;

  const refresh = () => {
    const open = runs.filter((run) => !run.upDown.done);
    for (const button of [play, moves, warm]) button.disabled = true;
    if (!runs.length) return;
    if (!open.length) { current = null; set(at("progress"), "Done."); report(); begin.focus(); return; }
    current = open[Math.floor(random() * open.length)];
    // now and then a straight tone, so that it shows when an answer is given without listening
    shown += 1;
    straight = shown % data.settings.straight_every === 0;
    play.disabled = false;
    const turns = runs.reduce((sum, run) => sum + run.upDown.turns.length, 0);
    set(at("progress"), `Tone ${shown}: about ${Math.round(100 * turns / (runs.length * data.settings.turns))} % done.`);
    play.focus();
  };
  const sound = () => {
    context ??= new AudioContext();
    if (source) source.stop();
    const samples = toneSamples(context.sampleRate, data.pitch_hz, current.rate, straight ? 0 : current.upDown.extentCents, data.settings);
    const buffer = context.createBuffer(1, samples.length, context.sampleRate);
    buffer.copyToChannel(samples, 0);
    source = context.createBufferSource();
    source.buffer = buffer;
    source.connect(context.destination);
    source.start();
    moves.disabled = warm.disabled = false;
  };
  const answer = (moved) => {
    if (!current || moves.disabled) return;
    if (straight) { catches[0] += moved ? 1 : 0; catches[1] += 1; } else current.upDown.answer(moved);
    refresh();
  };
  const report = () => {
    const rows = runs.map((run) => [run.rate, run.upDown.result(), run.rule]);
    const body = at("rows");
    body.replaceChildren();
    for (const [rate, found, rule] of rows) {
      const row = body.insertRow();
      const spread = found && `± ${(found.limitCents / found.factor).toFixed(0)} to ${(found.limitCents * found.factor).toFixed(0)}`;
      const cells = [rate.toFixed(1), found ? `± ${found.limitCents.toFixed(0)}` : "cannot be told: too few turns", found ? spread : "", `± ${rule.toFixed(0)}`];
      for (const text of cells) row.insertCell().textContent = text;
    }
    const limits = rows.filter(([, found]) => found).map(([rate, found]) => [rate, found.limitCents]);
    const words = [];
    if (catches[1]) words.push(`Of ${catches[1]} straight tones ${catches[0]} ${catches[0] === 1 ? "was" : "were"} said to move${catches[0] * 2 > catches[1] ? ": these answers do not follow the sound" : ""}.`);
    if (rows.some(([, found]) => found && found.atLimit > 2)) words.push("At the narrowest or widest tone that is offered the answers did not turn: the limit lies beyond.");
    if (limits.length) {
      for (const [group, notes] of Object.entries(data.notes)) {
        const own = shareAbove(notes, limits), rule = shareAbove(notes, data.rule);
        if (own.of) words.push(`${group}: ${own.above} of ${own.of} notes with vibrato (${Math.round(100 * own.above / own.of)} %) lie above this ear's limit; above the rule of thumb ${rule.above} (${Math.round(100 * rule.above / rule.of)} %).`);
      }
      const lines = ["rate_hz,limit_cents,limit_se_factor,turns,rule_of_thumb_cents", ...rows.filter(([, found]) => found).map(([rate, found, rule]) => [rate, found.limitCents.toFixed(2), found.factor.toFixed(4), found.turns, rule.toFixed(1)].join(","))];
      const link = at("save");
      link.href = `data:text/csv;charset=utf-8,${encodeURIComponent(`${lines.join("\n")}\n`)}`;
      link.hidden = false;
    }
    at("said").replaceChildren(...words.map((text) => Object.assign(document.createElement("p"), { textContent: text })));
    at("outcome").hidden = false;
  };
  begin.addEventListener("click", () => {
    const rates = [...box.querySelectorAll("input[type=checkbox]:checked")].map((input) => Number(input.value));
    if (!rates.length) return set(at("progress"), "Choose at least one rate.");
    runs = rates.map((rate) => {
      const rule = Math.exp(Math.log(data.rule[0][1]) + (Math.log(data.rule[1][1]) - Math.log(data.rule[0][1])) * (Math.min(Math.max(rate, data.rule[0][0]), data.rule[1][0]) - data.rule[0][0]) / (data.rule[1][0] - data.rule[0][0]));
      return { rate, rule, upDown: new UpDown(Math.min(2 * rule, data.settings.widest_cents), data.settings) };
    });
    catches = [0, 0];
    shown = 0;
    at("outcome").hidden = true;
    refresh();
  });
  play.addEventListener("click", sound);
  moves.addEventListener("click", () => answer(true));
  warm.addEventListener("click", () => answer(false));
  box.querySelector(".hands").addEventListener("click", () => {
    const yes = Number(at("yes").value), no = Number(at("no").value);
    if (!(yes >= 0 && no >= 0 && yes + no > 0)) return set(at("progress"), "How many hands for each?");
    if (moves.disabled) return set(at("progress"), "Play a tone first.");
    if (yes === no) return set(at("progress"), "As many hands for each: play the tone again and ask again.");
    answer(yes > no);
    at("yes").value = at("no").value = "";
  });
}

startPairs();
startLimit(JSON.parse(document.getElementById("data").textContent));
