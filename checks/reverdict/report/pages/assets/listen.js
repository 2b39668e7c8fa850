"use strict";
// One player for golden, build and difference: all three run in step from memory, and what is heard is switched in place.
for (const section of document.querySelectorAll(".listen")) {
  if (!globalThis.AudioContext) break;
  const FADE_S = 0.01;
  const versions = { golden: "golden", candidate: "build", difference: "difference" };
  const cues = section.dataset.cues.split(",").map((cue) => {
    const [name, from, to] = cue.split("|");
    return { name, from: Number(from), to: Number(to) };
  });
  let context, buffers, sources, gains, volume;
  let starting = false;
  let chosen = "golden";
  let cue = cues[Math.min(1, cues.length - 1)];

  const choice = (legend, name, items, pick) => {
    const set = document.createElement("fieldset");
    set.append(Object.assign(document.createElement("legend"), { textContent: legend }));
    for (const [value, said, on] of items) {
      const radio = Object.assign(document.createElement("input"), { type: "radio", name, value, checked: on });
      radio.addEventListener("change", () => pick(value));
      const label = document.createElement("label");
      label.append(radio, " " + said);
      set.append(label);
    }
    return set;
  };
  const button = Object.assign(document.createElement("button"), { type: "button", textContent: "Play" });
  const state = Object.assign(document.createElement("output"), { className: "quiet" });
  const loud = Object.assign(document.createElement("input"), { type: "range", min: -40, max: 0, step: 1, value: -20 });
  const loudness = document.createElement("label");
  loudness.append("volume ", loud);
  loud.setAttribute("aria-valuetext", "-20 dB");

  const load = () =>
    new Promise((done, failed) => {
      const script = document.createElement("script");
      script.src = `${section.dataset.folder}/sounds.js`;
      script.onload = done;
      script.onerror = () => failed(new Error("the sounds beside this page are not there"));
      document.head.append(script);
    });
  const decoded = async () => {
    await load();
    const coded = globalThis.reverdictSounds;
    const made = {};
    for (const version of Object.keys(versions)) {
      const bytes = Uint8Array.from(atob(coded[version]), (letter) => letter.charCodeAt(0));
      made[version] = await context.decodeAudioData(bytes.buffer);
    }
    return made;
  };
  const level = () => 10 ** (Number(loud.value) / 20);
  const choose = (version) => {
    chosen = version;
    if (!gains) return;
    for (const [name, gain] of Object.entries(gains)) {
      gain.gain.cancelScheduledValues(context.currentTime);
      gain.gain.setTargetAtTime(name === chosen ? 1 : 0, context.currentTime, FADE_S / 3);
    }
    if (sources) tell();
  };
  const tell = () => {
    state.value = `${cue.name}, ${versions[chosen]}`;
  };
  const stop = () => {
    for (const source of Object.values(sources ?? {})) {
      source.onended = null;
      source.stop();
    }
    sources = undefined;
    button.textContent = "Play";
    state.value = "";
  };
  const play = async () => {
    if (starting) return; // pressed again while the sounds load
    starting = true;
    try {
      if (!context) {
        context = new AudioContext({ sampleRate: 48000 });
        volume = context.createGain();
        volume.gain.value = level();
        volume.connect(context.destination);
        state.value = "loading";
        buffers = await decoded();
        gains = {};
        for (const version of Object.keys(versions)) {
          gains[version] = context.createGain();
          gains[version].gain.value = version === chosen ? 1 : 0;
          gains[version].connect(volume);
        }
        // For those who look from outside whether it is in step: the graph, and nothing that changes it.
        section.listening = { context, volume, buffers };
      }
      await context.resume();
      stop();
      sources = {};
      const begin = context.currentTime + 0.05;
      for (const version of Object.keys(versions)) {
        const source = new AudioBufferSourceNode(context, { buffer: buffers[version] });
        source.connect(gains[version]);
        source.start(begin, cue.from, cue.to - cue.from);
        sources[version] = source;
      }
      sources.golden.onended = stop;
      button.textContent = "Stop";
      tell();
    } catch (error) {
      stop();
      context = undefined;
      state.value = `cannot be played: ${error.message}`;
    } finally {
      starting = false;
    }
  };
  button.addEventListener("click", () => (sources ? stop() : play()));
  loud.addEventListener("input", () => {
    loud.setAttribute("aria-valuetext", `${loud.value} dB`);
    volume?.gain.setTargetAtTime(level(), context.currentTime, FADE_S / 3);
  });

  const player = document.createElement("div");
  player.append(
    choice("heard", "listen-version", Object.entries(versions).map(([value, said]) => [value, said, value === chosen]), choose),
    choice(
      "through it", "listen-cue", cues.map((one) => [one.name, one.name, one === cue]),
      (name) => {
        cue = cues.find((one) => one.name === name);
        if (sources) play();
      },
    ),
    document.createElement("br"), button, loudness, " ", state,
  );
  section.querySelector(".plain").replaceWith(player);
  section.querySelector("p.quiet:last-of-type")?.remove();
}
