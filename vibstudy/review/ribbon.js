// Draws what the kernel tells of a note: the ribbon, the folded cycles, the two spectra, the phrase on a staff.
// Nothing here knows the room around it; colours come from the page's own style, so that a theme changes all.

const THICKEST = 13; // pixels from the middle of the ribbon to its edge at the loudest moment
const THINNEST = 1.2;
const SHARE_OF_CYCLE = 0.15; // no wider than this share of a cycle's width, so that paper is seen between waves
const LETTERS = "12px 'DejaVu Sans', Verdana, sans-serif";
const BRIGHT_OCTAVES = 0.5; // the centroid's way from the darkest shade to the middle one, and on to the lightest

/** Colours of the room, as they are now. */
function coloursOf(node) {
  const style = getComputedStyle(node);
  const names = ["paper", "ink", "muted", "faint", "sea", "brick", "ochre", "dull", "bright"];
  return Object.fromEntries(names.map((name) => [name, style.getPropertyValue(`--${name}`).trim()]));
}

function channels(hex) {
  return [1, 3, 5].map((at) => parseInt(hex.slice(at, at + 2), 16));
}

function blend(from, to, share) {
  const [a, b] = [channels(from), channels(to)];
  return `rgb(${a.map((value, i) => Math.round(value + share * (b[i] - value))).join(",")})`;
}

/** A canvas made as sharp as the screen, and cleared. */
function sheetOf(canvas) {
  const [width, height] = [canvas.clientWidth, canvas.clientHeight];
  const scale = window.devicePixelRatio || 1;
  canvas.width = Math.round(width * scale);
  canvas.height = Math.round(height * scale);
  const c = canvas.getContext("2d");
  c.scale(scale, scale);
  c.font = LETTERS;
  c.lineJoin = "round";
  c.lineCap = "round";
  return { c, width, height };
}

function signed(value, places = 0) {
  const text = value.toFixed(places);
  return value > 0 ? `+${text}` : text.replace("-", "\u2212");
}

/** Strokes a curve; a missing value lifts the pen. */
function trace(c, points, style) {
  c.save();
  Object.assign(c, style);
  if (style.dash) c.setLineDash(style.dash);
  c.beginPath();
  let pen = false;
  for (const point of points) {
    if (!point) {
      pen = false;
      continue;
    }
    c[pen ? "lineTo" : "moveTo"](point[0], point[1]);
    pen = true;
  }
  c.stroke();
  c.restore();
}

/** Where time and cents lie in the picture of the ribbon. */
class RibbonPlace {
  constructor(view, width, height) {
    const [begin, end] = view.edges;
    const margin = 0.04 + 0.06 * (end - begin); // room to move an end outwards
    this.from = Math.max(view.span[0], begin - margin);
    this.to = Math.min(view.span[1], end + margin);
    this.left = 14;
    this.right = width - 44;
    this.top = 34;
    this.bottom = height - 44;
    const inside = (view.ribbon ? view.ribbon.cents : view.around.cents.filter((_, i) => view.around.t[i] >= begin && view.around.t[i] <= end))
      .filter((cents) => cents !== null)
      .sort((a, b) => a - b);
    const at = (share) => (inside.length ? inside[Math.floor(share * (inside.length - 1))] : 0);
    this.middle = 0.5 * (at(0.01) + at(0.99));
    this.reach = Math.max(15, 0.62 * (at(0.99) - at(0.01)));
    // a trill, too, goes up and down; a wave is what goes a quarter of the picture's reach to both sides
    const wide = (this.right - this.left) / (this.to - this.from);
    const cycle = view.cycles ? wide / view.cycles.rate_hz : (wide * (end - begin)) / this.waves(view.ribbon);
    this.thick = Math.min(THICKEST, Math.max(3, SHARE_OF_CYCLE * cycle));
  }

  waves(ribbon) {
    let [turns, side] = [0, 0];
    for (const cents of ribbon ? ribbon.cents : []) {
      const off = (cents - this.middle) / this.reach;
      if (cents === null || Math.abs(off) < 0.25 || Math.sign(off) === side) continue;
      side = Math.sign(off);
      turns += 1;
    }
    return 0.5 * turns;
  }

  x(time) {
    return this.left + ((time - this.from) / (this.to - this.from)) * (this.right - this.left);
  }

  time(x) {
    const time = this.from + ((x - this.left) / (this.right - this.left)) * (this.to - this.from);
    return Math.min(Math.max(time, this.from), this.to);
  }

  y(cents) {
    const half = 0.5 * (this.bottom - this.top) - this.thick;
    return 0.5 * (this.top + this.bottom) - ((cents - this.middle) / this.reach) * half;
  }
}

/** Pitch of the ribbon at a moment, in cents; of the line around it outside; null where there is none. */
function pitchAt(view, time) {
  for (const curve of [view.ribbon, view.around]) {
    if (!curve || !curve.t.length || time < curve.t[0] || time > curve.t[curve.t.length - 1]) continue;
    let [low, high] = [0, curve.t.length - 1];
    while (high - low > 1) {
      const middle = (low + high) >> 1;
      if (curve.t[middle] <= time) low = middle;
      else high = middle;
    }
    if (curve.cents[low] !== null) return curve.cents[low];
  }
  return null;
}

function drawRibbon(canvas, view, place, colours) {
  const { c, width, height } = sheetOf(canvas);
  drawCents(c, place, colours, width);
  drawSeconds(c, view, place, colours, height);
  c.save();
  c.beginPath();
  c.rect(0, 0, place.right + 8, height);
  c.clip();
  const [begin, end] = view.edges;
  const outside = view.around.t.map((time, i) => {
    const cents = view.around.cents[i];
    const own = view.ribbon && time > begin && time < end;
    const shown = cents !== null && !own && time >= place.from && time <= place.to && Math.abs(cents - place.middle) < 1.3 * place.reach;
    return shown ? [place.x(time), place.y(cents)] : null;
  });
  trace(c, outside, { strokeStyle: colours.faint, lineWidth: 6 });
  if (view.ribbon) drawBody(c, view.ribbon, place, colours);
  if (view.fit) {
    const points = view.fit.t.map((time, i) => (view.fit.cents[i] === null ? null : [place.x(time), place.y(view.fit.cents[i])]));
    trace(c, points, { strokeStyle: colours.ochre, lineWidth: 1.5 });
  }
  if (view.ribbon && view.fit) drawHem(c, view, place, colours);
  c.restore();
}

function drawCents(c, place, colours, width) {
  const step = [10, 20, 50, 100, 200, 500].find((size) => place.reach / size < 2.6) || 1000;
  c.textAlign = "left";
  c.textBaseline = "middle";
  for (let k = Math.ceil((place.middle - place.reach) / step); k * step <= place.middle + place.reach; k++) {
    const y = place.y(k * step);
    trace(c, [[place.left, y], [place.right, y]], { strokeStyle: colours.faint, lineWidth: k ? 0.7 : 1.4 });
    c.fillStyle = colours.muted;
    c.fillText(signed(k * step), place.right + 8, y);
  }
  c.textAlign = "right";
  c.fillStyle = colours.muted;
  c.fillText("cents", width - 6, 10);
}

function drawSeconds(c, view, place, colours, height) {
  const length = place.to - place.from;
  const step = [0.1, 0.2, 0.5, 1, 2, 5].find((size) => length / size < 9) || 10;
  c.textAlign = "center";
  c.textBaseline = "alphabetic";
  c.fillStyle = colours.muted;
  for (let k = Math.ceil((place.from - view.edges[0]) / step - 1e-9); view.edges[0] + k * step <= place.to; k++) {
    const x = place.x(view.edges[0] + k * step);
    trace(c, [[x, height - 22], [x, height - 18]], { strokeStyle: colours.muted, lineWidth: 1 });
    c.fillText(k ? signed(k * step, step < 1 ? 1 : 0) : "0 s", x, height - 5);
  }
}

function drawBody(c, ribbon, place, colours) {
  c.save();
  for (let i = 1; i < ribbon.t.length; i++) {
    if (ribbon.cents[i - 1] === null || ribbon.cents[i] === null) continue;
    const share = 0.5 + (ribbon.bright[i] || 0) / (2 * BRIGHT_OCTAVES);
    c.strokeStyle = blend(colours.dull, colours.bright, Math.min(Math.max(share, 0), 1));
    c.lineWidth = 2 * Math.max(THINNEST, place.thick * (ribbon.loud[i] || 0));
    c.beginPath();
    c.moveTo(place.x(ribbon.t[i - 1]), place.y(ribbon.cents[i - 1]));
    c.lineTo(place.x(ribbon.t[i]), place.y(ribbon.cents[i]));
    c.stroke();
  }
  c.restore();
}

/** The hem: below the ribbon's waves, where vibrato lasts, with a stitch at each crest. */
function drawHem(c, view, place, colours) {
  const { t, cents } = view.fit;
  const half = 0.5 / (view.cycles ? view.cycles.rate_hz : 5);
  const near = (time) => cents.filter((value, i) => value !== null && Math.abs(t[i] - time) <= half);
  const hem = [];
  const stitches = [];
  for (let i = 0; i < t.length; i++) {
    const rises = i > 0 && i < t.length - 1 && cents[i] > cents[i - 1] && cents[i] >= cents[i + 1];
    const crest = rises && cents[i] === Math.max(...near(t[i])); // one in a cycle, whatever its shape
    if (!crest && i && i < t.length - 1) continue;
    const point = [place.x(t[i]), place.y(Math.min(...near(t[i]))) + place.thick + 7];
    hem.push(point);
    if (crest) stitches.push(point);
  }
  if (!stitches.length) return;
  hem[0][1] = stitches[0][1]; // the ends know only half a cycle
  hem[hem.length - 1][1] = stitches[stitches.length - 1][1];
  trace(c, hem, { strokeStyle: colours.brick, lineWidth: 2.4 });
  for (const [x, y] of stitches) trace(c, [[x, y - 4], [x, y + 4]], { strokeStyle: colours.brick, lineWidth: 1.8 });
  c.fillStyle = colours.brick;
  c.textAlign = "left";
  c.textBaseline = "top";
  const [x, y] = stitches[Math.min(2, stitches.length - 1)];
  c.fillText("vibrato", x + 5, y + 6);
}

// --- folded cycles

function drawCycles(canvas, cycles, colours) {
  const { c, width, height } = sheetOf(canvas);
  c.textBaseline = "middle";
  if (!cycles) {
    c.fillStyle = colours.muted;
    c.textAlign = "center";
    c.fillText("no vibrato to fold", width / 2, height / 2);
    return;
  }
  const [left, right, top, bottom] = [6, width - 52, 10, height - 22];
  const most = Math.max(5, ...cycles.each.flat().map((cents) => Math.abs(cents || 0)));
  const count = cycles.mean.length;
  const x = (i) => left + (i / count) * (right - left);
  const y = (cents) => 0.5 * (top + bottom) - (cents / most) * 0.5 * (bottom - top);
  trace(c, [[left, y(0)], [right, y(0)]], { strokeStyle: colours.faint, lineWidth: 1.4 });
  const around = (curve) => [...curve.map((cents, i) => [x(i), y(cents)]), [x(count), y(curve[0])]];
  if (cycles.sd[0] !== null) {
    c.fillStyle = colours.sea;
    c.globalAlpha = 0.22;
    c.beginPath();
    around(cycles.mean.map((cents, i) => cents + cycles.sd[i])).forEach(([a, b], i) => c[i ? "lineTo" : "moveTo"](a, b));
    around(cycles.mean.map((cents, i) => cents - cycles.sd[i])).reverse().forEach(([a, b]) => c.lineTo(a, b));
    c.fill();
    c.globalAlpha = 1;
  }
  for (const cycle of cycles.each) {
    trace(c, cycle.map((cents, i) => [x(i), y(cents)]), { strokeStyle: colours.sea, lineWidth: 0.8, globalAlpha: 0.55 });
  }
  trace(c, around(cycles.mean), { strokeStyle: colours.brick, lineWidth: 2.6 });
  const [high, low] = [Math.max(...cycles.mean), Math.min(...cycles.mean)];
  for (const cents of [high, low]) {
    trace(c, [[left, y(cents)], [right + 4, y(cents)]], { strokeStyle: colours.muted, lineWidth: 0.8, dash: [2, 4] });
    c.fillStyle = colours.ink;
    c.textAlign = "left";
    c.fillText(signed(cents), right + 8, y(cents));
  }
  c.fillStyle = colours.muted;
  c.textAlign = "center";
  c.fillText(`one cycle, ${(1000 / cycles.rate_hz).toFixed(0)} ms`, 0.5 * (left + right), height - 8);
}

// --- spectra

function drawSpectra(canvases, about, bytes, colours) {
  const size = about ? about.rows * about.columns : 0;
  const values = new Uint8Array(bytes.buffer, bytes.byteOffset, bytes.byteLength);
  canvases.forEach((canvas, which) => {
    const { c, width, height } = sheetOf(canvas);
    if (!about || values.length !== 2 * size) return;
    const image = document.createElement("canvas");
    [image.width, image.height] = [about.columns, about.rows];
    const context = image.getContext("2d");
    const pixels = context.createImageData(about.columns, about.rows);
    const [paper, ink] = [channels(colours.paper), channels(colours.sea)];
    for (let i = 0; i < size; i++) {
      const share = (values[which * size + i] / 255) ** 1.5;
      for (let k = 0; k < 3; k++) pixels.data[4 * i + k] = paper[k] + share * (ink[k] - paper[k]);
      pixels.data[4 * i + 3] = 255;
    }
    context.putImageData(pixels, 0, 0);
    c.drawImage(image, 22, 0, width - 22, height);
    c.fillStyle = colours.muted;
    c.textAlign = "right";
    c.textBaseline = "middle";
    const count = about.last - about.first + 1;
    for (let k = 0; k < count; k++) c.fillText(String(about.last - k), 16, ((k + 0.5) / count) * height);
  });
}

// --- the phrase on a staff

const STEP = 3; // pixels from a line to the space above it

function drawStaff(canvas, view, colours) {
  const { c, width, height } = sheetOf(canvas);
  const [left, right] = [34, width - 12];
  const notes = view.staff.notes;
  const steps = notes.map((note) => note.step);
  const octaves = !steps.length ? 0 : Math.max(...steps) > 15 ? -1 : Math.min(...steps) < -7 ? 1 : 0;
  const y = (step) => 0.5 * height + (4 - step) * STEP;
  const x = (time) => left + ((time - view.span[0]) / (view.span[1] - view.span[0])) * (right - left - 8) + 8;
  for (let line = 0; line < 5; line++) {
    trace(c, [[4, y(2 * line)], [right, y(2 * line)]], { strokeStyle: colours.muted, lineWidth: 0.6 });
  }
  c.fillStyle = colours.ink;
  c.textAlign = "center";
  c.textBaseline = "middle";
  c.font = "italic 700 19px 'DejaVu Serif', Georgia, serif";
  c.fillText(view.staff.clef, 16, y(view.staff.clef === "G" ? 2 : 6)); // the letter stands on its line
  c.font = LETTERS;
  if (octaves) c.fillText("8", 16, octaves < 0 ? y(11) : y(-3));
  for (const note of notes) {
    const step = note.step + 7 * octaves;
    const [at, end] = [Math.max(x(note.on), left + 8), Math.min(x(note.off), right)];
    const colour = note.here ? colours.brick : colours.ink;
    for (let line = -2; line >= step; line -= 2) trace(c, [[at - 7, y(line)], [at + 7, y(line)]], { strokeStyle: colours.muted, lineWidth: 0.8 });
    for (let line = 10; line <= step; line += 2) trace(c, [[at - 7, y(line)], [at + 7, y(line)]], { strokeStyle: colours.muted, lineWidth: 0.8 });
    trace(c, [[at + 5, y(step)], [Math.max(end - 3, at + 5), y(step)]], { strokeStyle: colour, lineWidth: note.here ? 2.4 : 1, globalAlpha: note.here ? 1 : 0.55 });
    c.save();
    c.translate(at, y(step));
    c.rotate(-0.35);
    c.beginPath();
    c.ellipse(0, 0, 5, 3.6, 0, 0, 2 * Math.PI);
    c.fillStyle = note.decided && !note.out ? colour : colours.paper;
    c.fill();
    c.strokeStyle = colour;
    c.lineWidth = 1.5;
    c.stroke();
    c.restore();
    if (note.out) trace(c, [[at - 6, y(step) + 6], [at + 6, y(step) - 6]], { strokeStyle: colour, lineWidth: 1.5 });
    if (note.sign) {
      c.fillStyle = colour;
      c.fillText(note.sign, at - 11, y(step) - 1);
    }
  }
}
