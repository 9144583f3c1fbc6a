// The browser's side of charting. It decides nothing about the log: it shows the state that
// Python sends and sends back what was clicked or keyed. Only the video is run here, and the
// two matrices that Python found for the court in it are applied here.

const SVG = "http://www.w3.org/2000/svg";
const SPEEDS = [0.25, 0.5, 1, 2];
const ZOOM = 3;
const NO_ANSWER_MS = 5000;
const LEAST_RIGHT_PX = 412; // beside a window that is not tall
const TALL_RIGHT_PX = 480;
const TALL_PX = 800;
const LEAST_LEFT_PX = 330;
const NARROW_PX = 800;
const LAB_PX = 124; // JupyterLab's own bars above and below a notebook
const FRAME_PX = 20; // border, padding and the gap below the bar
const WORD_GROUPS = [
  "stroke", "contact", "side", "direction", "choice", "balance", "ending", "gap_class",
];
const GROUP_NAMES = {
  shot: "shot in hand",
  place: "place without the mouse",
  rally: "rally and game",
  rows: "rows",
  video: "video",
  screen: "screen",
  gap_class: "gap in words (short rows)",
};
const COLUMNS = [
  ["line", "line"], ["shot", "rally, shot"], ["player", "player"], ["stroke", "stroke"],
  ["gap_cm", "gap cm"], ["also", "also"],
];
const CLICK_NAMES = {
  struck: "ball struck", opponent: "opponent", bounce: "bounce", next: "next ball struck",
};
// What is clicked at each level, in order; Python decides which of them is due.
const LEVEL_CLICKS = {
  short: ["struck"], usual: ["struck", "opponent"], full: ["struck", "opponent", "bounce"],
};

function make(tag, properties = {}, children = []) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(properties)) {
    if (name in element && name !== "role") element[name] = value;
    else element.setAttribute(name, value);
  }
  element.append(...children);
  return element;
}

function draw(tag, attributes = {}, text = "") {
  const element = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
  if (text !== "") element.textContent = text;
  return element;
}

const words = (text) => (text === null || text === undefined ? "" : String(text).replaceAll("_", " "));

function clock(seconds) {
  if (seconds === null || seconds === undefined) return "";
  const minutes = Math.floor(seconds / 60);
  return `${minutes}:${(seconds - 60 * minutes).toFixed(2).padStart(5, "0")}`;
}

// The mark of a player: a disc for the first, a square for the second.
const mark = (who) => (who === 0 ? "●" : "■");

/** A place through a homography; null beyond the horizon of `inside`, a place that is seen. */
function through(matrix, x, y, inside = null) {
  const [a, b, c] = matrix.map((row) => row[0] * x + row[1] * y + row[2]);
  if (inside !== null) {
    const last = matrix[2][0] * inside[0] + matrix[2][1] * inside[1] + matrix[2][2];
    if (c * last <= 0) return null;
  }
  return [a / c, b / c];
}

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

/** A click that places a ball: the left button, or the right one for a volley. */
function onPlacing(element, place) {
  element.addEventListener("click", (event) => place(event, { move: event.shiftKey, volley: false }));
  element.addEventListener("contextmenu", (event) => {
    event.preventDefault();
    if (!event.shiftKey) place(event, { move: false, volley: true });
  });
}

function painted(floor) {
  return floor.lines.map((line) => {
    const rect = draw("rect", {
      x: 100 * line.x, y: 100 * line.y, width: 100 * line.width, height: 100 * line.depth,
      class: "sw-line",
    });
    rect.append(draw("title", {}, line.name));
    return rect;
  });
}

/** The court to scale, in centimetres, front wall at the top. */
function courtView(floor, place, choosePoint) {
  const width = 100 * floor.width;
  const length = 100 * floor.length;
  const svg = draw("svg", {
    viewBox: `-14 -24 ${width + 28} ${length + 38}`,
    class: "sw-court",
    role: "img",
    "aria-label": "Court from above, front wall at the top. Click where the ball is struck.",
  });
  svg.append(
    draw("rect", { x: 0, y: 0, width, height: length, class: "sw-floor" }),
    draw("rect", { x: 0, y: -16, width, height: 16, class: "sw-front" }),
    ...painted(floor),
    draw("rect", { x: 0, y: 0, width, height: length, class: "sw-walls" }),
  );
  const marks = draw("g");
  const pointer = draw("g", { class: "sw-pointer" });
  const rings = draw("g");
  svg.append(marks, pointer, rings);
  const reading = make("div", { className: "sw-reading" });
  const idle = "right click: a volley";
  reading.textContent = idle;

  const spot = (event) => {
    const at = new DOMPoint(event.clientX, event.clientY).matrixTransform(
      svg.getScreenCTM().inverse(),
    );
    return {
      x: Math.min(Math.max(at.x, 0), width) / 100,
      y: Math.min(Math.max(at.y, 0), length) / 100,
    };
  };
  /** Show the gap of a place, and how good it is. */
  function point(at, good) {
    if (at === null) {
      pointer.replaceChildren();
      reading.textContent = idle;
      return;
    }
    const wall = at.x <= floor.width / 2 ? 0 : floor.width;
    const gap = Math.round(100 * Math.abs(at.x - wall));
    pointer.replaceChildren(
      draw("line", { x1: 100 * wall, y1: 100 * at.y, x2: 100 * at.x, y2: 100 * at.y }),
    );
    reading.textContent = `gap here: ${gap} cm, good to ±${Math.ceil(good)} cm`;
  }
  // A pixel of the drawing is so many centimetres wide.
  const pixel = () => 1 / svg.getScreenCTM().a;
  svg.addEventListener("pointermove", (event) => point(spot(event), 2 * pixel()));
  svg.addEventListener("pointerleave", () => point(null));
  onPlacing(svg, (event, how) => place(event, { ...spot(event), ...how }));

  function cross(x, y, kind, title) {
    const sign = draw("path", { d: `M${x - 15} ${y - 15}l30 30M${x + 15} ${y - 15}l-30 30`, class: kind });
    sign.append(draw("title", {}, title));
    return sign;
  }
  function show(state) {
    marks.replaceChildren();
    if (state.path.length > 1) {
      const points = state.path.map((one) => `${100 * one.x},${100 * one.y}`).join(" ");
      marks.append(draw("polyline", { points, class: "sw-path" }));
    }
    for (const one of state.path.slice(-6)) {
      const at = { x: 100 * one.x, y: 100 * one.y };
      const kind = `sw-mark sw-who${one.who}${one.at === state.selected ? " sw-selected" : ""}`;
      marks.append(
        one.who === 0
          ? draw("circle", { cx: at.x, cy: at.y, r: 20, class: kind })
          : draw("rect", { x: at.x - 18, y: at.y - 18, width: 36, height: 36, class: kind }),
        draw("text", { ...at, class: `sw-number sw-who${one.who}` }, one.shot),
      );
    }
    const hand = state.hand;
    const known = (name) => hand[name] !== null && hand[name] !== undefined;
    if (state.selected === null && known("x") && known("y")) {
      const [x, y] = [100 * hand.x, 100 * hand.y];
      marks.append(
        draw("circle", { cx: x, cy: y, r: 24, class: "sw-ball" }),
        draw("path", { d: `M${x - 36} ${y}H${x + 36}M${x} ${y - 36}V${y + 36}`, class: "sw-ball" }),
      );
    }
    if (known("opponent_x")) {
      const [x, y] = [100 * hand.opponent_x, 100 * hand.opponent_y];
      marks.append(draw("path", { d: `M${x} ${y - 24}l24 24l-24 24l-24 -24z`, class: "sw-ball" }));
    }
    if (known("bounce_x")) {
      marks.append(cross(100 * hand.bounce_x, 100 * hand.bounce_y, "sw-ball", "bounce"));
    }
  }
  /** The known points as rings to choose from; none while no court is being set. */
  function showPoints(taken, due) {
    rings.replaceChildren(...(due === null ? [] : floor.points.map(({ name, x, y }) => {
      const at = taken.indexOf(name);
      const ring = draw("circle", {
        cx: 100 * x, cy: 100 * y, r: name === due ? 26 : 17,
        class: name === due ? "sw-ring sw-due-ring" : at < 0 ? "sw-ring" : "sw-ring sw-taken-ring",
      });
      ring.append(draw("title", {}, name));
      ring.addEventListener("click", (event) => { event.stopPropagation(); choosePoint(name); });
      return ring;
    })));
  }
  return { element: make("div", { className: "sw-court-box" }, [svg, reading]), show, showPoints, point };
}

/** The front wall to scale; a click gives the height at which the ball hits it. */
function wallView(floor, act) {
  const width = 100 * floor.width;
  const { tin, service, out, paint } = floor.wall;
  const top = 100 * (out + 0.35);
  const svg = draw("svg", {
    viewBox: `-10 -10 ${width + 20} ${top + 20}`, class: "sw-wall", role: "img",
    "aria-label": "Front wall. Click how high the ball hits it.",
  });
  const band = (low, height, kind) =>
    draw("rect", { x: 0, y: top - 100 * (low + height), width, height: 100 * height, class: kind });
  const hit = draw("g");
  svg.append(
    draw("rect", { x: 0, y: 0, width, height: top, class: "sw-floor" }),
    band(0, tin, "sw-tin"), band(service, paint, "sw-line"), band(out, paint, "sw-line"),
    draw("rect", { x: 0, y: 0, width, height: top, class: "sw-walls" }), hit,
  );
  const reading = make("div", { className: "sw-reading" }, ["height on the front wall"]);
  const height = (event) => {
    const at = new DOMPoint(event.clientX, event.clientY).matrixTransform(svg.getScreenCTM().inverse());
    return Math.min(Math.max(top - at.y, 0), top) / 100;
  };
  const cm = (z) => `${Math.round(100 * z)} cm, ${Math.round(100 * (z - tin))} over the tin`;
  svg.addEventListener("pointermove", (event) => { reading.textContent = cm(height(event)); });
  svg.addEventListener("pointerleave", () => { reading.textContent = "height on the front wall"; });
  svg.addEventListener("click", (event) => act({ do: "wall", z: height(event) }));
  function show(state) {
    const z = state.hand.wall_z;
    hit.replaceChildren(...(z === null || z === undefined ? [] : [
      draw("path", { d: `M0 ${top - 100 * z}H${width}`, class: "sw-ball" }),
    ]));
  }
  return { element: make("div", { className: "sw-wall-box" }, [svg, reading]), show };
}

// ------------------------------------------------------------------------------------- video

/** A video from a file that the user picks, or below JupyterLab's own folder. */
function videoView(address, floor, clickPx, { place, hover, plan, resized }) {
  const video = make("video", { className: "sw-video", playsInline: true, preload: "auto" });
  const overlay = draw("svg", { class: "sw-overlay", preserveAspectRatio: "none" });
  const lens = make("div", { className: "sw-lens" }, [video, overlay]);
  const empty = make("div", { className: "sw-no-video", role: "status" });
  const task = make("div", { className: "sw-task", hidden: true, role: "status" });
  const screen = make("div", { className: "sw-screen" }, [lens, empty]);
  const file = make("input", {
    type: "file", accept: "video/*,audio/*", className: "sw-file", tabIndex: -1,
    "aria-label": "Video file",
  });
  const slider = make("input", {
    type: "range", min: 0, max: 0, step: 0.1, value: 0, className: "sw-slider", tabIndex: -1,
    "aria-label": "Place in the video",
  });
  const clockText = make("span", { className: "sw-clock" }, ["–:––"]);
  const NO_VIDEO = "No video is open. Choose its file: it stays on this machine. Without one, " +
    "times stay blank.";
  let speed = SPEEDS.indexOf(1);
  let picked = null;
  let source = "";
  let frameSeconds = 1 / 25; // until the video itself has told
  let zoomed = null;
  let pointer = null;
  let seen = {};
  let setting = null; // the four points while they are being set

  const ready = () => video.readyState > 0;
  const sized = () => ready() && video.videoWidth > 0;
  const open = (from, name) => {
    source = name;
    empty.textContent = NO_VIDEO;
    zoomed = null;
    video.src = from;
    video.load();
  };

  /** The video as large as its screen allows, without bars, so that its pixels can be clicked. */
  function fit() {
    const [wide, high] = [screen.clientWidth, screen.clientHeight];
    const shape = sized() ? video.videoWidth / video.videoHeight : 16 / 9;
    const width = Math.min(wide, high * shape);
    lens.style.width = `${width}px`;
    lens.style.height = `${width / shape}px`;
    overlay.setAttribute("viewBox", `0 0 ${video.videoWidth || 16} ${video.videoHeight || 9}`);
    lens.classList.toggle("sw-close", zoomed !== null);
    lens.style.transform = zoomed ? `scale(${ZOOM})` : "";
    lens.style.transformOrigin = zoomed ? `${100 * zoomed[0]}% ${100 * zoomed[1]}%` : "";
  }
  const refresh = () => {
    empty.hidden = ready() && !video.error;
    lens.hidden = !empty.hidden;
    slider.disabled = !ready();
    slider.max = Number.isFinite(video.duration) ? video.duration : 0;
    slider.value = video.currentTime;
    clockText.textContent = ready()
      ? `${video.paused ? "paused" : "playing"} ${clock(video.currentTime)}, speed ${SPEEDS[speed]}`
      : "–:––";
    fit();
    paint();
  };
  for (const name of ["loadedmetadata", "timeupdate", "play", "pause", "seeked", "emptied"]) {
    video.addEventListener(name, refresh);
  }
  video.addEventListener("loadedmetadata", () => resized());
  video.addEventListener("error", () => {
    const at = video.currentTime ? ` It stopped at ${clock(video.currentTime)}.` : "";
    empty.textContent = `⚠ This browser cannot play ${source || "the video"}.${at} Turn it into MP4 ` +
      "(H.264) or WebM, or use another browser. Nothing that was charted is lost; without a video " +
      "times stay blank.";
    refresh();
  });
  slider.addEventListener("input", () => { video.currentTime = Number(slider.value); });
  file.addEventListener("change", () => {
    if (!file.files.length) return;
    if (picked) URL.revokeObjectURL(picked);
    picked = URL.createObjectURL(file.files[0]);
    open(picked, file.files[0].name);
    file.value = ""; // the same file may be picked again
  });

  // How long a frame lasts: the least time between two that were shown one after the other.
  let before = null;
  const shown = (_now, { mediaTime }) => {
    const step = before === null ? 0 : mediaTime - before;
    if (!video.paused && step > 1 / 130 && step < 1 / 10) frameSeconds = Math.min(frameSeconds, step);
    before = mediaTime;
    video.requestVideoFrameCallback(shown);
  };
  if (video.requestVideoFrameCallback) video.requestVideoFrameCallback(shown);

  // ---- the court in the video

  /** Share of the known frame's pixels in this video's; null if the two have another shape. */
  function scale() {
    if (!seen.frame || !sized()) return null;
    const [wide, high] = [video.videoWidth / seen.frame[0], video.videoHeight / seen.frame[1]];
    return Math.abs(wide / high - 1) < 0.01 ? wide : null;
  }
  function pixel(event) {
    const box = video.getBoundingClientRect();
    const [u, v] = [(event.clientX - box.left) / box.width, (event.clientY - box.top) / box.height];
    return {
      u: u * video.videoWidth, v: v * video.videoHeight, share: [u, v],
      px: (clickPx * video.videoWidth) / box.width,
    };
  }
  function under(event) {
    const share = scale();
    if (share === null) return null;
    const at = pixel(event);
    const found = { u: at.u / share, v: at.v / share, px: at.px / share };
    const inside = [seen.points_u, seen.points_v];
    const spot = through(seen.to_floor, found.u, found.v, inside);
    return { ...found, spot: spot && { x: spot[0], y: spot[1] } };
  }
  function goodAt(y) {
    const nearest = (one, other) => (Math.abs(one.y - y) < Math.abs(other.y - y) ? one : other);
    return seen.errors.reduce(nearest).cm;
  }
  function paint() {
    overlay.replaceChildren();
    const share = scale();
    const size = (sized() ? video.videoWidth : 16) / 400;
    if (share !== null && (video.paused || setting)) {
      const middle = [floor.width / 2, floor.length / 2];
      const line = (x1, y1, x2, y2) => {
        const points = [];
        for (let at = 0; at <= 20; at += 1) {
          const spot = through(
            seen.to_picture, x1 + ((x2 - x1) * at) / 20, y1 + ((y2 - y1) * at) / 20, middle,
          );
          if (spot) points.push(`${spot[0] * share},${spot[1] * share}`);
        }
        overlay.append(draw("polyline", { points: points.join(" "), class: "sw-seen-line" }));
      };
      const [wide, long] = [floor.width, floor.length];
      line(0, 0, wide, 0);
      line(0, 0, 0, long);
      line(wide, 0, wide, long);
      line(0, long, wide, long);
      for (const { x, y, width, depth } of floor.lines) {
        if (width > depth) line(x, y + depth / 2, x + width, y + depth / 2);
        else line(x + width / 2, y, x + width / 2, y + depth);
      }
    }
    for (const [at, { u, v }] of (setting?.points ?? []).entries()) {
      overlay.append(
        draw("path", { d: `M${u - 4 * size} ${v}h${8 * size}M${u} ${v - 4 * size}v${8 * size}`, class: "sw-seen-point" }),
        draw("text", { x: u + 3 * size, y: v - 2 * size, "font-size": 9 * size, class: "sw-seen-number" }, at + 1),
      );
    }
  }
  function showTask() {
    task.hidden = setting === null;
    if (setting) {
      task.replaceChildren(
        make("b", {}, [`Point ${setting.points.length + 1} of 4: click the ${setting.due} in the video.`]),
        " Another point: click its ring on the court. Shift Z: closer. Backspace: one back. Esc: leave.",
      );
    }
    plan(setting ? setting.points.map((one) => one.name) : [], setting ? setting.due : null);
    paint();
  }
  function nextDue() {
    const taken = setting.points.map((one) => one.name);
    setting.due = floor.points.map((one) => one.name).find((name) => !taken.includes(name));
  }
  function addPoint(event) {
    const { u, v, px } = pixel(event);
    setting.points.push({ name: setting.due, u, v, px });
    if (setting.points.length === 4) {
      const { points } = setting;
      setting = null;
      place(null, { do: "fit", points, frame: [video.videoWidth, video.videoHeight] });
    } else nextDue();
    showTask();
  }
  onPlacing(lens, (event, how) => {
    if (setting) {
      if (!how.volley) addPoint(event);
      return;
    }
    const at = under(event);
    if (at) place(event, { u: at.u, v: at.v, px: at.px, ...how });
    else if (!seen.frame || !sized()) run("play");
    else {
      place(event, { trouble: `The court was set in a picture of ${seen.frame.join(" by ")} pixels; ` +
        `this video has ${video.videoWidth} by ${video.videoHeight}. Set its four points again (Shift C).` });
    }
  });
  screen.addEventListener("pointermove", (event) => {
    if (!sized()) return;
    pointer = pixel(event).share;
    const at = setting ? null : under(event);
    const inside = at?.spot && at.spot.x >= 0 && at.spot.x <= floor.width && at.spot.y >= 0 &&
      at.spot.y <= floor.length;
    hover(inside ? at.spot : null, inside ? goodAt(at.spot.y) : 0);
  });
  screen.addEventListener("pointerleave", () => { pointer = null; hover(null, 0); });

  function run(action, value) {
    if (action === "open") file.click();
    else if (!ready()) return;
    else if (action === "play") {
      if (video.paused) video.play().catch(() => place(null, { trouble: "The video does not start." }));
      else video.pause();
    } else if (action === "skip") {
      video.currentTime = Math.max(0, video.currentTime + Number(value));
    } else if (action === "frame") {
      video.pause();
      video.currentTime = Math.max(0, video.currentTime + Number(value) * frameSeconds);
    } else if (action === "speed") {
      speed = Math.min(Math.max(speed + Number(value), 0), SPEEDS.length - 1);
      video.playbackRate = SPEEDS[speed];
    } else if (action === "zoom") zoomed = zoomed ? null : pointer ?? [0.5, 0.5];
    else if (action === "points") {
      setting = setting ? null : { points: [], due: floor.points[0].name };
      if (setting) video.pause();
      showTask();
    }
    refresh();
  }
  /** Keys while the four points are being set; whether the key was used. */
  function settingKey(name) {
    if (!setting || !["escape", "backspace"].includes(name)) return false;
    if (name === "escape") setting = null;
    else if (setting.points.length) setting.due = setting.points.pop().name;
    showTask();
    return true;
  }
  empty.textContent = NO_VIDEO;
  if (address) {
    const page = document.getElementById("jupyter-config-data");
    const base = page ? JSON.parse(page.textContent).baseUrl ?? "/" : "/";
    open(`${base}files/${address.split("/").map(encodeURIComponent).join("/")}`, address);
  }
  refresh();
  return {
    screen,
    task,
    parts: [slider, clockText, file],
    run,
    fit: refresh,
    settingKey,
    shape: () => (sized() ? video.videoWidth / video.videoHeight : 16 / 9),
    choosePoint: (name) => {
      if (!setting || setting.points.some((one) => one.name === name)) return;
      setting.due = name;
      showTask();
    },
    see: (view) => {
      seen = view.frame ? { ...view } : {};
      if (view.frame) {
        const middle = through(view.to_picture, floor.width / 2, floor.length / 2);
        [seen.points_u, seen.points_v] = middle;
      }
      paint();
    },
    time: () => (ready() && !video.error ? Math.round(100 * video.currentTime) / 100 : null),
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

function pressable(className, children, run) {
  const button = make("button", { type: "button", className }, children);
  button.addEventListener("mousedown", (event) => event.preventDefault()); // keep the keys on
  button.addEventListener("click", run);
  return button;
}

const keyButton = (key, run) => pressable(
  "sw-key",
  [make("kbd", {}, [key.shown]), make("span", { className: "sw-label" }, [key.label])],
  () => run(key),
);

function sheet(name, head, body) {
  return make("div", {
    className: "sw-sheet", role: "dialog", "aria-modal": "true", "aria-label": name, hidden: true,
    tabIndex: -1,
  }, [make("div", { className: "sw-sheet-head" }, head), body]);
}

const closeButton = (close) => pressable("sw-key", [make("kbd", {}, ["Esc"]), " close"], close);

function helpView(keys, close) {
  const groups = [...WORD_GROUPS, ...Object.keys(GROUP_NAMES).filter((name) => !WORD_GROUPS.includes(name))]
    .map((group) => make("section", {}, [
      make("h4", {}, [GROUP_NAMES[group] ?? group]),
      ...keys.filter((key) => key.group === group).map((key) =>
        make("div", { className: "sw-help-line" }, [make("kbd", {}, [key.shown]), ` ${key.label}`]),
      ),
    ]));
  const how = "Click where the ball is struck, key the stroke, click the next ball: that takes the " +
    "shot before. The right button is for volleys. A digit from 1 to 7 ends the rally. Dashed words " +
    "are taken for granted unless you key others; the same key again takes a word away. Shift and a " +
    "click move the ball. Once the court's four points are set in the video (Shift C), click in the " +
    "video, on the floor straight under the ball. Every shot is on the disk at once.";
  return sheet("All keys", [make("p", {}, [how]), closeButton(close)],
    make("div", { className: "sw-help-groups" }, groups));
}

/** What to record, and of whom: chosen once. */
function recordView(levels, players, act, close) {
  const cards = new Map(levels.map((level) => [level.name, pressable("sw-card", [
    make("b", {}, [level.name]),
    make("span", {}, [level.takes]),
    make("span", {}, [make("i", {}, ["Makes possible: "]), level.makes_possible]),
    make("span", {}, [make("i", {}, ["Costs: "]), level.costs]),
  ], () => act({ do: "settings", level: level.name }))]));
  const who = [[0, 1], [0], [1]].map((places) => pressable("sw-key", [
    make("span", { className: "sw-label" }, [
      places.length === 2 ? "both players" : `${players[places[0]]} only`,
    ]),
  ], () => act({ do: "settings", in_full: places.map((at) => players[at]) })));
  const short = "The other player's rows are then short: one click gives the gap in words and " +
    "whether it was an attack or a reset. They say nothing about that player, and hold the rally together.";
  const element = sheet("What to record", [make("h4", {}, ["What to record of a shot"]), closeButton(close)],
    make("div", {}, [
      make("div", { className: "sw-cards" }, [...cards.values()]),
      make("h4", {}, ["Charted in full"]), make("div", { className: "sw-tools" }, who), make("p", {}, [short]),
    ]));
  function show(state) {
    for (const [name, card] of cards) {
      card.classList.toggle("sw-on", name === state.level);
      card.setAttribute("aria-pressed", String(name === state.level));
    }
    who.forEach((button, at) => {
      const places = [[0, 1], [0], [1]][at];
      const on = places.length === state.in_full.length && places.every((one) => state.in_full.includes(one));
      button.classList.toggle("sw-on", on);
      button.setAttribute("aria-pressed", String(on));
    });
  }
  return { element, show };
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
    if (name === "shot") return `${row.cells.rally}, ${value}`;
    if (name === "stroke") return [row.cells.side, value].filter(Boolean).map(words).join(" ");
    if (name === "player") return `${mark(row.who)} ${value}`;
    if (name === "gap_cm") return value ?? words(row.cells.gap_class);
    if (name === "also") {
      const { contact, ...rest } = row.cells;
      return [contact === "after_bounce" ? "" : contact, rest.direction, rest.choice,
        rest.balance === "set" ? "" : rest.balance, rest.ending].filter(Boolean).map(words).join(", ");
    }
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
  let clickedAt = null; // where to say what is wrong: beside the click that it is about
  const complain = (text) => {
    trouble.textContent = text ? `⚠ ${text}` : "";
    const box = root.getBoundingClientRect();
    const at = clickedAt ?? [screenBox().left + 8, screenBox().bottom - 56];
    trouble.style.left = `${Math.min(Math.max(at[0] - box.left + 14, 8), box.width - 330)}px`;
    trouble.style.top = `${at[1] - box.top + 14}px`;
  };
  const screenBox = () => video.screen.getBoundingClientRect();

  function place(event, action) {
    clickedAt = event ? [event.clientX, event.clientY] : null;
    if (action.trouble) complain(action.trouble);
    else act({ do: "place", ...action });
  }
  const video = videoView(setup.video, setup.floor, setup.click_px, {
    place,
    hover: (spot, good) => court.point(spot, good),
    plan: (taken, due) => court.showPoints(taken, due),
    resized: () => size(),
  });
  const send = messenger(model, video.time, (text) => { clickedAt = null; complain(text); });
  const act = (action) => {
    if (!["place", "wall"].includes(action.do)) clickedAt = null;
    send(action);
  };
  const court = courtView(setup.floor, place, (name) => video.choosePoint(name));
  const wall = wallView(setup.floor, act);

  function run(key) {
    if (key.group === "video") video.run(key.action, key.value);
    else if (key.action === "help") toggle(help);
    else if (key.action === "record") toggle(record.element);
    else if (key.action === "screen") fillScreen();
    else if (key.action === "arrange") arrange();
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
  const level = small("record", "records");
  const bar = make("div", { className: "sw-bar" }, [
    score, due, onOff, level, small("arrange", "above"), small("screen", "fill screen"),
    small("help", "all keys"),
  ]);

  // The words of the log, a button each.
  const buttons = new Map();
  const groups = new Map(WORD_GROUPS.map((group) => [group,
    make("div", { className: "sw-group", role: "group", "aria-label": words(group) }, [
      make("span", { className: "sw-group-name" }, [group === "gap_class" ? "gap" : group]),
      ...keys.filter((key) => key.group === group).map((key) => {
        const button = keyButton(key, run);
        buttons.set(key, button);
        return button;
      }),
    ])]));
  const givenTo = make("div", { className: "sw-group", role: "group", "aria-label": "given to" }, [
    make("span", { className: "sw-group-name" }, ["given to"]),
    ...["0", "1"].map((value) => {
      const button = small("won_by", setup.players[value], value);
      buttons.set(byAction("won_by", value), button);
      return button;
    }),
  ]);
  const { stroke: strokes, ...others } = Object.fromEntries(groups);
  const panel = make("div", { className: "sw-panel" }, [...Object.values(others), givenTo]);

  // A short row at one click: the gap in words by the choice.
  const pad = make("div", { className: "sw-pad", role: "group", "aria-label": "short row" }, [
    make("span", { className: "sw-group-name" }, ["short row"]),
    ...["tight", "middling", "loose"].map((word) => make("span", { className: "sw-group-name" }, [word])),
    ...["attack", "reset"].flatMap((choice) => [
      make("span", { className: "sw-group-name" }, [choice]),
      ...["tight", "middling", "loose"].map((word) => {
        const button = pressable("sw-key", ["•"], () => act({ do: "row", gap_class: word, choice }));
        button.setAttribute("aria-label", `${word}, ${choice}`);
        button.dataset.row = `${word} ${choice}`;
        return button;
      }),
    ]),
  ]);

  // The shot in hand, and what the next click means.
  const handText = make("div", { className: "sw-hand-text" });
  const chips = make("span", { className: "sw-chips" });
  const gap = make("input", {
    className: "sw-gap", type: "text", inputMode: "decimal", tabIndex: -1, "aria-label": "gap in cm",
    autocomplete: "off",
  });
  const handBox = make("div", { className: "sw-hand", role: "group", "aria-label": "shot in hand" }, [
    handText,
    make("label", { className: "sw-gap-label" }, [make("kbd", {}, ["G"]), " gap ", gap, " cm"]),
  ]);
  const message = make("div", { className: "sw-message", role: "status" });
  const saved = make("div", { className: "sw-saved", role: "status" });
  const tools = make("div", { className: "sw-tools" }, [
    small("commit", "take"), small("undo", "undo"), small("redo", "redo"),
    small("clear", "clear"), small("time", "time"), small("swap", "swap"), small("game", "next game", "1"),
  ]);
  const film = make("div", { className: "sw-film" }, [
    small("play", "play"), small("skip", "2 s", "-2"), small("skip", "2 s", "2"),
    small("frame", "frame", "-1"), small("frame", "frame", "1"), small("speed", "half", "-1"),
    small("speed", "double", "1"), small("zoom", "closer"),
  ]);
  const table = tableView(act, setup.players);
  const help = helpView(keys, () => toggle(help));
  const record = recordView(setup.levels, setup.players, act, () => toggle(record.element));
  const sheets = [help, record.element];
  const handle = make("div", {
    className: "sw-handle", title: "Drag: the size of the video", role: "separator", "aria-label": "Size of the video",
  });
  const left = make("div", { className: "sw-left" }, [
    video.screen, video.task, make("div", { className: "sw-film" }, [
      ...video.parts, small("points", "set court"), small("open", "file"),
    ]),
    film, make("div", { className: "sw-next" }, ["next click", chips, message]), handBox, strokes,
  ]);
  const right = make("div", { className: "sw-right" }, [
    make("div", { className: "sw-places" }, [
      court.element, make("div", { className: "sw-stack" }, [tools, pad, wall.element]),
    ]),
    panel,
    make("div", { className: "sw-log" }, [table.element, saved]),
  ]);
  const main = make("div", { className: "sw-main" }, [left, handle, right]);
  const root = make("div", {
    className: "sw-chart", tabIndex: 0, role: "application",
    "aria-label": `Charting ${setup.match}. Question mark shows all keys.`,
    "data-lm-suppress-shortcuts": "true", // the notebook's own keys would delete cells
  }, [bar, main, trouble, ...sheets]);

  // Sizes: the video takes what the window leaves, or what was dragged.
  let above = false;
  let dragged = null;
  let grip = null;
  /** Give the left column a width and return the height that everything in it then takes. */
  function tryWidth(wide, tall = wide / video.shape()) {
    left.style.width = `${Math.round(wide)}px`;
    video.screen.style.height = `${Math.round(tall)}px`;
    return left.offsetHeight + bar.offsetHeight + FRAME_PX;
  }
  function size() {
    const high = window.innerHeight - (document.fullscreenElement === root ? 0 : LAB_PX);
    const width = main.clientWidth;
    const stacked = above || width < NARROW_PX;
    root.classList.toggle("sw-above", stacked);
    if (stacked) {
      const tall = dragged === null ? 0.55 * high : dragged / video.shape();
      tryWidth(width, Math.max(150, Math.min(tall, width / video.shape())));
    } else {
      const [least, most] = [LEAST_LEFT_PX, Math.max(width - (high > TALL_PX ? TALL_RIGHT_PX : LEAST_RIGHT_PX), LEAST_LEFT_PX)];
      let wide = most;
      if (dragged !== null) wide = Math.max(least, Math.min(dragged, width - LEAST_LEFT_PX / 2));
      // Words wrap in a narrow column, so the sizes are tried, from the widest.
      else while (wide > least && tryWidth(wide) > high) wide -= 12;
      tryWidth(Math.max(wide, least));
    }
    video.fit();
  }
  handle.addEventListener("pointerdown", (event) => {
    event.preventDefault();
    handle.setPointerCapture(event.pointerId);
    const box = video.screen.getBoundingClientRect();
    grip = [event.clientX - box.width, event.clientY - box.height];
  });
  handle.addEventListener("pointermove", (event) => {
    if (!handle.hasPointerCapture(event.pointerId)) return;
    dragged = above ? (event.clientY - grip[1]) * video.shape() : event.clientX - grip[0];
    size();
  });
  handle.addEventListener("dblclick", () => { dragged = null; size(); });
  function arrange() {
    above = !above;
    dragged = null;
    size();
  }
  function fillScreen() {
    if (document.fullscreenElement === root) document.exitFullscreen();
    else root.requestFullscreen().catch(() => complain("This browser does not let the chart fill the screen."));
  }
  let known = 0;
  const watcher = new ResizeObserver(() => {
    if (root.clientWidth === known) return; // only its height, which follows from the sizes set
    known = root.clientWidth;
    size();
  });
  watcher.observe(root);
  window.addEventListener("resize", size);
  document.addEventListener("fullscreenchange", size);

  function toggle(one) {
    for (const other of sheets) if (other !== one) other.hidden = true;
    one.hidden = !one.hidden;
    (one.hidden ? root : one).focus({ preventScroll: true });
  }

  let shownFor = "";
  function show() {
    const state = model.get("state");
    const hand = state.hand;
    const selected = state.selected !== null;
    const short = state.short && !selected;
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
    level.querySelector(".sw-label").textContent = `records: ${state.level}`;
    chips.replaceChildren(...[...(short ? LEVEL_CLICKS.short : LEVEL_CLICKS[state.level]), "next"].map((what) => {
      const chip = pressable("sw-chip", [CLICK_NAMES[what]], () => act({ do: "aim", value: what }));
      chip.disabled = what === "next";
      chip.classList.toggle("sw-on", state.click === what);
      if (state.click === what) chip.setAttribute("aria-current", "true");
      return chip;
    }));
    for (const [key, button] of buttons) {
      const column = key.action === "won_by" ? "rally_won_by" : key.group;
      const value = key.action === "won_by" ? name(key.value) : key.value;
      const on = hand[column] === value;
      const guessed = on && !selected && !state.keyed.includes(column);
      const derived = column === "choice" && !hand.choice && state.derived === value;
      button.setAttribute("aria-pressed", String(on));
      button.classList.toggle("sw-on", on && !guessed);
      button.classList.toggle("sw-guessed", guessed || derived);
      button.title = guessed ? "taken for granted unless another is keyed"
        : derived ? "derived from the stroke unless keyed" : "";
    }
    groups.get("gap_class").hidden = state.in_full.length > 1 && !hand.gap_class;
    groups.get("balance").hidden = state.level === "short" && !hand.balance && !selected;
    givenTo.hidden = !["stroke", "no_let"].includes(hand.ending);
    pad.hidden = selected || state.in_full.length > 1;
    for (const button of pad.querySelectorAll("button")) {
      const on = button.dataset.row === `${hand.gap_class} ${hand.choice}`;
      button.classList.toggle("sw-on", on);
      button.setAttribute("aria-pressed", String(on));
    }
    wall.element.hidden = state.level !== "full" || short;
    const described = ["side", "stroke", "direction", "contact", "balance", "choice", "gap_class"]
      .map((column) => words(hand[column])).filter(Boolean).join(", ");
    handText.replaceChildren(
      make("b", {}, [selected ? `Mending line ${state.selected + 2}` : `Shot ${state.due.shot} in hand${short ? " (short row)" : ""}`]),
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
    message.textContent = state.message || (selected ? "Key or click what is to change, Esc when done." : "");
    saved.textContent =
      `${state.count} rows saved in ${setup.file}, ${wrong}. Undo: ${state.undos} steps.`;
    complain([state.trouble, ...state.whole].filter(Boolean).join(" "));
    court.show(state);
    wall.show(state);
    table.show(state);
    record.show(state);
    const needs = `${state.level} ${state.in_full}`;
    if (needs !== shownFor) size(); // other words are shown, so the video has other room
    shownFor = needs;
  }
  if (!model.get("state").chosen && !model.get("state").count) record.element.hidden = false;

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
    const name = pressed(event);
    const open = sheets.find((one) => !one.hidden);
    let key = keyOf.get(name);
    if (open && (event.key === "Escape" || ["help", "record"].includes(key?.action))) {
      event.preventDefault();
      event.stopPropagation();
      toggle(open);
      return;
    }
    if (open) return;
    if (video.settingKey(name)) key = null;
    else if (!key) return;
    event.preventDefault();
    event.stopPropagation();
    if (!key) return;
    if (!event.repeat || ["nudge", "skip", "frame", "undo", "redo", "select"].includes(key.action)) run(key);
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
  root.addEventListener("contextmenu", (event) => event.stopPropagation());
  for (const kind of ["click", "contextmenu"]) {
    root.addEventListener(kind, (event) => {
      if (!event.target.closest("input, label, .sw-sheet")) root.focus({ preventScroll: true });
    });
  }
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
  const see = () => video.see(model.get("floor"));
  model.on("change:state", show);
  model.on("change:floor", see);
  el.append(root);
  keysOn();
  see();
  show();
  return () => {
    document.removeEventListener("pointerdown", pressedAnywhere, true);
    document.removeEventListener("keydown", tabbed, true);
    document.removeEventListener("fullscreenchange", size);
    window.removeEventListener("resize", size);
    watcher.disconnect();
    model.off("change:state", show);
    model.off("change:floor", see);
    video.close();
  };
}

export default { render };
