// The browser's side of charting. It decides nothing about the log: it shows the state that
// Python sends and sends back what was clicked or keyed. Only the video is run here.

const SVG = "http://www.w3.org/2000/svg";
const SPEEDS = [0.25, 0.5, 0.75, 1, 1.25, 1.5, 2];
const NO_ANSWER_MS = 5000;
const WORD_GROUPS = ["side", "stroke", "direction", "contact", "choice", "balance", "ending"];
const GROUP_NAMES = {
  shot: "shot in hand",
  place: "place without the mouse",
  rally: "rally and game",
  rows: "rows",
  video: "video",
};
const COLUMNS = [
  ["line", "line"], ["game", "game"], ["rally", "rally"], ["shot", "shot"], ["player", "player"],
  ["side", "side"], ["stroke", "stroke"], ["direction", "direction"], ["contact", "contact"],
  ["gap_cm", "gap cm"], ["choice", "choice"], ["balance", "balance"], ["t", "time"],
  ["ending", "ending"], ["rally_won_by", "won by"],
];

function make(tag, properties = {}, children = []) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(properties)) {
    if (name in element && name !== "role") element[name] = value;
    else element.setAttribute(name, value);
  }
  element.append(...children);
  return element;
}

function draw(tag, attributes = {}) {
  const element = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
  return element;
}

const words = (text) => (text === null || text === undefined ? "" : String(text).replaceAll("_", " "));

function clock(seconds) {
  if (seconds === null || seconds === undefined) return "";
  const minutes = Math.floor(seconds / 60);
  return `${minutes}:${(seconds - 60 * minutes).toFixed(1).padStart(4, "0")}`;
}

// The mark of a player: a disc for the first, a square for the second.
const mark = (who) => (who === 0 ? "●" : "■");

// ---------------------------------------------------------------------------------- messages

/** Sends actions to Python, and says so when no answer comes. */
function messenger(model, time, complain) {
  // Python puts the actions of a view in order, should they overtake one another.
  const view = `${Date.now()}-${Math.random()}`;
  let sent = 0;
  let timer = null;
  model.on("change:state", () => {
    if (model.get("state").answer >= sent) clearTimeout(timer);
  });
  return (action) => {
    sent += 1;
    clearTimeout(timer);
    const lost = () => complain(
      `No answer from the kernel. ${model.get("state").count} rows are on the disk. If the kernel ` +
      "was stopped, restart it and run the cell again: charting goes on from there.",
    );
    timer = setTimeout(lost, NO_ANSWER_MS);
    try {
      model.send({ ...action, t: time(), view, number: sent });
    } catch {
      lost(); // the connection is gone
    }
  };
}

// ------------------------------------------------------------------------------------- court

/** The court to scale, in centimetres, front wall at the top. */
function courtView(floor, act) {
  const width = 100 * floor.width;
  const length = 100 * floor.length;
  const svg = draw("svg", {
    viewBox: `-14 -26 ${width + 28} ${length + 40}`,
    class: "sw-court",
    role: "img",
    "aria-label": "Court from above, front wall at the top. Click where the ball is struck.",
  });
  svg.append(
    draw("rect", { x: 0, y: 0, width, height: length, class: "sw-floor" }),
    draw("rect", { x: 0, y: -16, width, height: 16, class: "sw-front" }),
  );
  for (const line of floor.lines) {
    const rect = draw("rect", {
      x: 100 * line.x, y: 100 * line.y, width: 100 * line.width, height: 100 * line.depth,
      class: "sw-line",
    });
    rect.append(draw("title"));
    rect.firstChild.textContent = line.name;
    svg.append(rect);
  }
  svg.append(draw("rect", { x: 0, y: 0, width, height: length, class: "sw-walls" }));
  const marks = draw("g");
  const pointer = draw("g", { class: "sw-pointer" });
  svg.append(marks, pointer);
  const reading = make("div", { className: "sw-reading" });
  reading.textContent = "click where the ball is struck";

  const spot = (event) => {
    const at = new DOMPoint(event.clientX, event.clientY).matrixTransform(
      svg.getScreenCTM().inverse(),
    );
    return {
      x: Math.min(Math.max(at.x, 0), width) / 100,
      y: Math.min(Math.max(at.y, 0), length) / 100,
    };
  };
  svg.addEventListener("pointermove", (event) => {
    const { x, y } = spot(event);
    const wall = x <= floor.width / 2 ? 0 : floor.width;
    pointer.replaceChildren(
      draw("line", { x1: 100 * wall, y1: 100 * y, x2: 100 * x, y2: 100 * y }),
    );
    reading.textContent = `gap here: ${Math.round(100 * Math.abs(x - wall))} cm`;
  });
  svg.addEventListener("pointerleave", () => {
    pointer.replaceChildren();
    reading.textContent = "click where the ball is struck";
  });
  svg.addEventListener("click", (event) => {
    act({ do: "place", ...spot(event), move: event.shiftKey });
  });

  function show(state) {
    marks.replaceChildren();
    if (state.path.length > 1) {
      const points = state.path.map((one) => `${100 * one.x},${100 * one.y}`).join(" ");
      marks.append(draw("polyline", { points, class: "sw-path" }));
    }
    for (const one of state.path.slice(-8)) {
      const at = { x: 100 * one.x, y: 100 * one.y };
      const kind = `sw-mark sw-who${one.who}${one.at === state.selected ? " sw-selected" : ""}`;
      marks.append(
        one.who === 0
          ? draw("circle", { cx: at.x, cy: at.y, r: 20, class: kind })
          : draw("rect", { x: at.x - 18, y: at.y - 18, width: 36, height: 36, class: kind }),
      );
      const number = draw("text", { ...at, class: `sw-number sw-who${one.who}` });
      number.textContent = one.shot;
      marks.append(number);
    }
    const hand = state.hand;
    if (state.selected === null && hand.x !== null && hand.y !== null) {
      const [x, y] = [100 * hand.x, 100 * hand.y];
      marks.append(
        draw("circle", { cx: x, cy: y, r: 24, class: "sw-ball" }),
        draw("path", { d: `M${x - 36} ${y}H${x + 36}M${x} ${y - 36}V${y + 36}`, class: "sw-ball" }),
      );
    }
  }
  return { element: make("div", { className: "sw-court-box" }, [svg, reading]), show };
}

// ------------------------------------------------------------------------------------- video

/** A video from a file that the user picks, or below JupyterLab's own folder. */
function videoView(address, complain) {
  const video = make("video", { className: "sw-video", playsInline: true, preload: "auto" });
  const empty = make("div", { className: "sw-no-video" }, [
    "No video is open. Choose its file: it stays on this machine. Without one, times stay blank.",
  ]);
  const file = make("input", {
    type: "file", accept: "video/*,audio/*", className: "sw-file", tabIndex: -1,
    "aria-label": "Video file",
  });
  const slider = make("input", {
    type: "range", min: 0, max: 0, step: 0.1, value: 0, className: "sw-slider", tabIndex: -1,
    "aria-label": "Place in the video",
  });
  const clockText = make("span", { className: "sw-clock" }, ["–:––"]);
  const speedText = make("span", { className: "sw-clock" }, ["speed 1"]);
  let speed = SPEEDS.indexOf(1);
  let picked = null;

  const ready = () => video.readyState > 0;
  const open = (source) => {
    video.src = source;
    video.load();
  };
  const refresh = () => {
    empty.hidden = ready();
    video.hidden = !ready();
    slider.disabled = !ready();
    slider.max = Number.isFinite(video.duration) ? video.duration : 0;
    slider.value = video.currentTime;
    clockText.textContent = ready() ? `${video.paused ? "paused" : "playing"} ${clock(video.currentTime)}` : "–:––";
    speedText.textContent = `speed ${SPEEDS[speed]}`;
  };
  for (const name of ["loadedmetadata", "timeupdate", "play", "pause", "seeked", "emptied"]) {
    video.addEventListener(name, refresh);
  }
  video.addEventListener("error", () => {
    refresh();
    complain("This browser cannot play the video. Use MP4 (H.264) or WebM, or another browser.");
  });
  video.addEventListener("click", () => run("play"));
  slider.addEventListener("input", () => { video.currentTime = Number(slider.value); });
  file.addEventListener("change", () => {
    if (!file.files.length) return;
    if (picked) URL.revokeObjectURL(picked);
    picked = URL.createObjectURL(file.files[0]);
    open(picked);
  });

  function run(action, value) {
    if (action === "open") file.click();
    else if (!ready()) return;
    else if (action === "play") {
      if (video.paused) video.play().catch(() => complain("The video does not start."));
      else video.pause();
    } else if (action === "skip") {
      video.currentTime = Math.max(0, video.currentTime + Number(value));
    } else if (action === "speed") {
      speed = Math.min(Math.max(speed + Number(value), 0), SPEEDS.length - 1);
      video.playbackRate = SPEEDS[speed];
    }
    refresh();
  }
  if (address) {
    const page = document.getElementById("jupyter-config-data");
    const base = page ? JSON.parse(page.textContent).baseUrl ?? "/" : "/";
    open(`${base}files/${address.split("/").map(encodeURIComponent).join("/")}`);
  }
  refresh();
  return {
    screen: make("div", { className: "sw-screen" }, [video, empty]),
    parts: [slider, clockText, speedText, file],
    run,
    time: () => (ready() ? Math.round(100 * video.currentTime) / 100 : null),
    close: () => { video.pause(); if (picked) URL.revokeObjectURL(picked); },
  };
}

// -------------------------------------------------------------------------------------- keys

/** Name of a pressed key as the key table has it, such as "shift+arrowup". */
function pressed(event) {
  const key = event.key.toLowerCase();
  // Shift is part of the character for signs such as "?", and apart for letters and arrows.
  const named = key.length > 1 || /\p{Letter}/u.test(key);
  return `${event.ctrlKey ? "ctrl+" : ""}${event.shiftKey && named ? "shift+" : ""}${key}`;
}

function keyButton(key, run) {
  const button = make("button", { type: "button", className: "sw-key" }, [
    make("kbd", {}, [key.shown]), make("span", { className: "sw-label" }, [key.label]),
  ]);
  button.addEventListener("mousedown", (event) => event.preventDefault()); // keep the keys on
  button.addEventListener("click", () => run(key));
  return button;
}

function helpView(keys, close) {
  const groups = [...WORD_GROUPS, ...Object.keys(GROUP_NAMES)].map((group) =>
    make("section", {}, [
      make("h4", {}, [GROUP_NAMES[group] ?? group]),
      ...keys.filter((key) => key.group === group).map((key) =>
        make("div", { className: "sw-help-line" }, [make("kbd", {}, [key.shown]), ` ${key.label}`]),
      ),
    ]),
  );
  const button = make("button", { type: "button", className: "sw-key" }, [
    make("kbd", {}, ["Esc"]), " close",
  ]);
  button.addEventListener("click", close);
  const how = "Click where the ball is struck, key the rest, click the next ball: that takes the " +
    "shot before. A digit from 1 to 7 ends the rally. Dashed words are taken for granted unless " +
    "you key others; the same key again takes a word away. Shift and a click move the ball. Every " +
    "shot is on the disk at once.";
  return make("div", {
    className: "sw-help", role: "dialog", "aria-modal": "true", "aria-label": "All keys", hidden: true,
    tabIndex: -1,
  }, [
    make("div", { className: "sw-help-head" }, [make("p", {}, [how]), button]),
    make("div", { className: "sw-help-groups" }, groups),
  ]);
}

// ------------------------------------------------------------------------------------- table

function tableView(run, players) {
  const body = make("tbody");
  const table = make("table", { className: "sw-rows" }, [
    make("caption", { className: "sw-hidden" }, ["Rows charted last"]),
    make("thead", {}, [
      make("tr", {}, COLUMNS.map(([, title]) => make("th", { scope: "col" }, [title]))),
    ]),
    body,
  ]);
  function cell(row, name) {
    const value = row.cells[name];
    if (name === "line") return row.at + 2;
    if (name === "player") return `${mark(row.who)} ${value}`;
    if (name === "t") return clock(value);
    return words(value);
  }
  function show(state) {
    body.replaceChildren();
    for (const row of state.rows) {
      const chosen = row.at === state.selected;
      const line = make("tr", { className: chosen ? "sw-chosen" : "" }, COLUMNS.map(([name]) =>
        make("td", {}, [cell(row, name)]),
      ));
      if (chosen) line.setAttribute("aria-current", "true");
      line.title = "Click to mend this row";
      line.addEventListener("click", () => run({ do: "select", row: chosen ? -1 : row.at }));
      body.append(line);
      for (const text of row.problems) {
        body.append(make("tr", { className: "sw-problem" }, [
          make("td", { colSpan: COLUMNS.length }, [`⚠ line ${row.at + 2}: ${text}`]),
        ]));
      }
    }
    if (!state.rows.length) {
      body.append(make("tr", {}, [make("td", { colSpan: COLUMNS.length }, [
        `No rows yet. ${players[state.due.striker]} serves: click where, or Enter.`,
      ])]));
    }
  }
  return { element: make("div", { className: "sw-table" }, [table]), show };
}

// -------------------------------------------------------------------------------------- whole

function render({ model, el }) {
  const setup = model.get("setup");
  const keys = setup.keys;
  const trouble = make("div", { className: "sw-trouble", role: "alert" });
  const complain = (text) => { trouble.textContent = text ? `⚠ ${text}` : ""; };
  const video = videoView(setup.video, complain);
  const act = messenger(model, video.time, complain);
  const court = courtView(setup.floor, act);

  function run(key) {
    if (key.group === "video" && key.action !== "help") video.run(key.action, key.value);
    else if (key.action === "help") toggleHelp();
    else if (key.action === "gap") { gap.focus(); gap.select(); }
    else if (key.action === "word") act({ do: "word", column: key.group, value: key.value });
    else if (key.action === "nudge") {
      const [dx, dy] = key.value.split(",").map(Number);
      act({ do: "nudge", dx, dy });
    } else act({ do: key.action, value: key.value });
  }

  // Score and what is due.
  const score = make("div", { className: "sw-score" });
  const due = make("div", { className: "sw-due" });
  const onOff = make("div", { className: "sw-on-off" });
  const byAction = (action, value = null) =>
    keys.find((key) => key.action === action && (value === null || key.value === value));
  const small = (action, label, value = null) =>
    keyButton({ ...byAction(action, value), label }, run);
  const bar = make("div", { className: "sw-bar" }, [score, due, onOff, small("help", "all keys")]);

  // The words of the log, a button each.
  const buttons = new Map();
  const panel = make("div", { className: "sw-panel" }, WORD_GROUPS.map((group) =>
    make("div", { className: "sw-group", role: "group", "aria-label": group }, [
      make("div", { className: "sw-group-name" }, [group]),
      ...keys.filter((key) => key.group === group).map((key) => {
        const button = keyButton(key, run);
        buttons.set(key, button);
        return button;
      }),
    ]),
  ));
  panel.append(make("div", { className: "sw-group", role: "group", "aria-label": "given to" }, [
    make("div", { className: "sw-group-name" }, ["given to"]),
    ...["0", "1"].map((value) => {
      const button = small("won_by", setup.players[value], value);
      buttons.set(byAction("won_by", value), button);
      return button;
    }),
  ]));

  // The shot in hand.
  const handText = make("div", { className: "sw-hand-text" });
  const gap = make("input", {
    className: "sw-gap", type: "text", inputMode: "decimal", tabIndex: -1, "aria-label": "gap in cm",
    autocomplete: "off",
  });
  const handBox = make("div", { className: "sw-hand", role: "group", "aria-label": "shot in hand" }, [
    handText,
    make("label", { className: "sw-gap-label" }, [make("kbd", {}, ["G"]), " gap ", gap, " cm"]),
  ]);
  const status = make("div", { className: "sw-status", role: "status" });
  const tools = make("div", { className: "sw-tools" }, [
    small("commit", "take shot"), small("undo", "undo"), small("redo", "redo"),
    small("clear", "clear"), small("time", "take time"), small("swap", "swap players"),
    small("game", "next game", "1"),
  ]);
  const controls = make("div", { className: "sw-controls" }, [
    small("open", "video"), small("play", "play"), small("skip", "2 s", "-2"),
    small("skip", "2 s", "2"), small("speed", "slower", "-1"), small("speed", "faster", "1"),
  ]);
  const table = tableView(act, setup.players);
  const help = helpView(keys, () => toggleHelp());
  const root = make("div", {
    className: "sw-chart", tabIndex: 0, role: "application",
    "aria-label": `Charting ${setup.match}. Question mark shows all keys.`,
    "data-lm-suppress-shortcuts": "true", // the notebook's own keys would delete cells
  }, [
    bar,
    make("div", { className: "sw-main" }, [
      court.element,
      make("div", { className: "sw-middle" }, [
        video.screen, make("div", { className: "sw-film" }, video.parts), controls, handBox, tools,
      ]),
      panel,
    ]),
    status, trouble, table.element, help,
  ]);

  function toggleHelp() {
    help.hidden = !help.hidden;
    (help.hidden ? root : help).focus({ preventScroll: true });
  }

  function show() {
    const state = model.get("state");
    const hand = state.hand;
    const selected = state.selected !== null;
    const name = (who) => setup.players[who];
    score.replaceChildren(
      `${mark(0)} ${name(0)} `, make("b", {}, [`${state.points[0]}–${state.points[1]}`]),
      ` ${name(1)} ${mark(1)}`,
      make("span", { className: "sw-games" }, [`games ${state.games[0]}–${state.games[1]}`]),
    );
    due.replaceChildren(
      `game ${state.due.game}, rally ${state.due.rally}, shot ${state.due.shot}: `,
      make("b", {}, [`${mark(state.due.striker)} ${name(state.due.striker)}`]),
      state.due.shot === 1 ? " serves" : " strikes",
    );
    for (const [key, button] of buttons) {
      const column = key.action === "won_by" ? "rally_won_by" : key.group;
      const value = key.action === "won_by" ? name(key.value) : key.value;
      const on = hand[column] === value;
      const guessed = on && !selected && !state.keyed.includes(column);
      const derived = column === "choice" && hand.choice === null && state.derived === value;
      button.setAttribute("aria-pressed", String(on));
      button.classList.toggle("sw-on", on && !guessed);
      button.classList.toggle("sw-guessed", guessed || derived);
      button.title = guessed ? "taken for granted unless another is keyed"
        : derived ? "derived from the stroke unless keyed" : "";
    }
    const described = ["side", "stroke", "direction", "contact", "balance", "choice"]
      .map((column) => words(hand[column])).filter(Boolean).join(", ");
    handText.replaceChildren(
      make("b", {}, [selected ? `Mending line ${state.selected + 2}` : `Shot ${state.due.shot} in hand`]),
      `: ${described || "nothing yet"}`,
      ...(hand.t === null ? [] : [`, at ${clock(hand.t)}`]),
      ...(hand.ending === null ? [] : [`, ${words(hand.ending)}`]),
      ...(state.missing.length ? [make("span", { className: "sw-missing" }, [
        ` still to come: ${state.missing.join(", ")}`,
      ])] : []),
    );
    handBox.classList.toggle("sw-mending", selected);
    if (document.activeElement !== gap) gap.value = hand.gap_cm ?? "";
    const wrong = state.problems ? `${state.problems} with a problem` : "no problems";
    status.replaceChildren(
      make("span", {}, [state.message || (selected
        ? "Key or click what is to change, Esc when done." : "")]),
      make("span", { className: "sw-saved" }, [
        `${state.count} rows saved in ${setup.file}, ${wrong}. Undo: ${state.undos} steps.`,
      ]),
    );
    complain([state.trouble, ...state.whole].filter(Boolean).join(" "));
    court.show(state);
    table.show(state);
  }

  const keyOf = new Map(keys.map((key) => [key.key, key]));
  root.addEventListener("keydown", (event) => {
    if (event.target === gap) {
      event.stopPropagation();
      if (event.key === "Enter") act({ do: "gap", cm: gap.value.replace(",", ".") });
      if (event.key === "Enter" || event.key === "Escape") {
        event.preventDefault();
        root.focus({ preventScroll: true });
        show();
      }
      return;
    }
    if (event.altKey || event.metaKey) return;
    if (event.target.tagName === "BUTTON" && [" ", "Enter"].includes(event.key)) {
      event.stopPropagation();
      return; // presses the button
    }
    let key = keyOf.get(pressed(event));
    if (!help.hidden && (event.key === "Escape" || key?.action === "help")) key = byAction("help");
    else if (!help.hidden) return;
    if (!key) return;
    event.preventDefault();
    event.stopPropagation();
    if (!event.repeat || ["nudge", "skip", "undo", "redo", "select"].includes(key.action)) run(key);
  });
  // From a click inside until a click outside or a Tab, the keys belong to the chart. The
  // notebook takes the focus for itself after a click, sometimes much later, and would then run
  // its own keys, which delete cells; so it is kept from clicks, and the focus is taken back.
  let owns = false;
  const pressedAnywhere = (event) => { owns = root.contains(event.target); };
  const tabbed = (event) => { if (event.key === "Tab") owns = false; };
  document.addEventListener("pointerdown", pressedAnywhere, true);
  document.addEventListener("keydown", tabbed, true);
  root.addEventListener("mousedown", (event) => event.stopPropagation());
  root.addEventListener("click", (event) => {
    if (!event.target.closest("input, label, .sw-help")) root.focus({ preventScroll: true });
  });
  const keysOn = () => {
    const focused = document.activeElement;
    if (owns && document.hasFocus() && !root.contains(focused) && focused?.contains(root)) {
      root.focus({ preventScroll: true });
    }
    const on = root.contains(document.activeElement);
    onOff.textContent = on ? "keys on" : "keys off: click here";
    onOff.classList.toggle("sw-off", !on);
  };
  root.addEventListener("focusin", keysOn);
  root.addEventListener("focusout", () => queueMicrotask(keysOn));
  gap.addEventListener("blur", show);
  model.on("change:state", show);
  el.append(root);
  keysOn();
  show();
  return () => {
    document.removeEventListener("pointerdown", pressedAnywhere, true);
    document.removeEventListener("keydown", tabbed, true);
    model.off("change:state", show);
    video.close();
  };
}

export default { render };
