// Record a take in the notebook: the browser's microphone to plain samples, which the kernel measures.
// The browser's own processing is asked to keep off: it would change the level and the noise.

const WISHES = { channelCount: 1, echoCancellation: false, noiseSuppression: false, autoGainControl: false };
const LONGEST_S = 180;
const TOO_LOUD = 0.98;
const TOO_QUIET = 0.02;
const COLLECT = `
class Collect extends AudioWorkletProcessor {
  process(inputs) {
    if (inputs[0].length) this.port.postMessage(inputs[0][0].slice());
    return true;
  }
}
registerProcessor("collect", Collect);
`;

function make(tag, className, text) {
  const node = document.createElement(tag);
  if (className) node.className = className;
  if (text !== undefined) node.textContent = text;
  return node;
}

function whyNot(error) {
  if (error && error.name === "NotAllowedError") return "The browser was told not to give the microphone to this page. Allow it (a sign beside the address), then press Record again.";
  if (error && error.name === "NotFoundError") return "No microphone was found. Plug one in, then press Record again.";
  return "This browser gives no microphone to this page. Record with any program instead, save as WAV or FLAC, and name the file in the next cell.";
}

class Recorder {
  constructor(model, el) {
    this.model = model;
    this.chunks = [];
    this.stream = this.context = null;
    this.box = make("div", "vibstudy-recorder");
    this.button = make("button", "main", "Record");
    this.button.type = "button";
    this.button.addEventListener("click", () => (this.stream ? this.stop() : this.start()));
    this.level = make("div", "level");
    this.level.append(make("div"));
    this.clock = make("span", "clock", "0.0 s");
    this.say = make("p", "say");
    this.say.setAttribute("role", "status");
    const row = make("div", "row");
    row.append(this.button, this.clock, this.level);
    this.words = make("ul");
    this.table = make("table");
    this.box.append(row, this.say, this.words, this.table);
    el.append(this.box);
    this.onView = () => this.show();
    model.on("change:view", this.onView);
    this.show();
  }

  async start() {
    try {
      if (!navigator.mediaDevices) throw new Error();
      this.stream = await navigator.mediaDevices.getUserMedia({ audio: WISHES });
    } catch (error) {
      this.stream = null;
      this.say.textContent = whyNot(error);
      return;
    }
    this.chunks = [];
    this.peak = 0;
    this.context = new AudioContext();
    const code = URL.createObjectURL(new Blob([COLLECT], { type: "text/javascript" }));
    await this.context.audioWorklet.addModule(code);
    URL.revokeObjectURL(code);
    this.collect = new AudioWorkletNode(this.context, "collect", { numberOfOutputs: 0 });
    this.collect.port.onmessage = (event) => this.take(event.data);
    this.context.createMediaStreamSource(this.stream).connect(this.collect);
    await this.context.resume();
    this.button.textContent = "Stop and measure";
    this.say.textContent = "Recording. Play one line alone.";
  }

  take(samples) {
    if (!this.stream) return;
    this.chunks.push(samples);
    let now = 0;
    for (const value of samples) now = Math.max(now, Math.abs(value));
    this.peak = Math.max(this.peak, now);
    this.level.firstChild.style.width = `${Math.min(100, 100 * now)}%`;
    this.level.classList.toggle("loud", now > TOO_LOUD);
    const seconds = (this.chunks.length * samples.length) / this.context.sampleRate;
    this.clock.textContent = `${seconds.toFixed(1)} s`;
    if (seconds > LONGEST_S) this.stop();
  }

  stop() {
    for (const track of this.stream.getTracks()) track.stop();
    this.stream = null;
    const rate = this.context.sampleRate;
    this.context.close();
    this.button.textContent = "Record";
    this.level.firstChild.style.width = "0";
    const samples = new Float32Array(this.chunks.reduce((sum, chunk) => sum + chunk.length, 0));
    let at = 0;
    for (const chunk of this.chunks) {
      samples.set(chunk, at);
      at += chunk.length;
    }
    let hint = "Measuring.";
    if (this.peak > TOO_LOUD) hint = "Measuring. It was too loud for the microphone at times: turn its level down next time.";
    if (this.peak < TOO_QUIET) hint = "Measuring. It was very soft: move closer, or turn the microphone's level up.";
    this.say.textContent = hint;
    this.model.send({ do: "take", rate_hz: rate }, undefined, [samples.buffer]);
  }

  show() {
    const view = this.model.get("view");
    if (view.say) this.say.textContent = view.say;
    this.words.replaceChildren(...(view.words || []).map((text) => make("li", "", text)));
    const rows = (view.rows || []).map((cells, number) => {
      const row = make("tr");
      row.append(...cells.map((cell) => make(number ? "td" : "th", "", cell)));
      return row;
    });
    this.table.replaceChildren(...rows);
  }

  leave() {
    this.model.off("change:view", this.onView);
    if (this.stream) for (const track of this.stream.getTracks()) track.stop();
    if (this.context && this.context.state !== "closed") this.context.close();
  }
}

function render({ model, el }) {
  const recorder = new Recorder(model, el);
  return () => recorder.leave();
}

export default { render };
