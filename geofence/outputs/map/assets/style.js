/* How things look on the sheet. Colours: viridis (van der Walt and Smith, 2015) for the gaps; Okabe and Ito (2008)
   for posts and findings; the muted scheme of P. Tol (2021) for zones. Each kind has its own shape as well, so that no reading hangs on colour alone. */
(function (geofence) {
  "use strict";

  const INK = "#1d2a30";
  const PAPER = "#fbf9f3";
  const VERMILLION = "#d55e00";
  const style = {
    INK,
    PAPER,
    HALO: "rgba(251, 249, 243, 0.9)",
    BOUNDARY: "#7b3f6b",
    BOUNDARY_BAND: "rgba(204, 121, 167, 0.34)",
    QUIET: "#4d5a5f",
    GRID: "rgba(29, 42, 48, 0.13)",
    EARTH: "#e2d6ba",
    GROUND: "#6a4a1e",
    PANEL: "rgba(86, 180, 233, 0.2)",
    STEP: "#7a3300",
    TAPE: "#e69f00",
    HOLE: "rgba(29, 42, 48, 0.08)",
    DOTS_FROM_PX: 5, // of post spacing: from here line posts are drawn,
    SHAPES_FROM_PX: 14, // from here in the shape of their kind
    OVER: 200,
    GATE: 201,
    VIRIDIS: ["#fde725", "#7ad151", "#22a884", "#2a788e", "#414487", "#440154"],
    FONT: "'Segoe UI', 'Noto Sans', 'DejaVu Sans', 'Helvetica Neue', Arial, sans-serif",
    POSTS: {
      line: { shape: "disc", fill: PAPER, radius: 3.6, word: "Line post" },
      end: { shape: "square", fill: INK, radius: 5, word: "End post" },
      corner: { shape: "diamond", fill: "#0072b2", radius: 6, word: "Corner post" },
      bend: { shape: "diamond", fill: PAPER, radius: 5.2, word: "Bend post" },
      gate: { shape: "square", fill: "#cc79a7", radius: 5, word: "Gate post" },
      junction: { shape: "triangle", fill: "#009e73", radius: 6, word: "Junction post" },
      strainer: { shape: "pentagon", fill: "#56b4e9", radius: 6, word: "Strainer post" },
      existing: { shape: "hexagon", fill: "#e69f00", radius: 6, word: "Existing post" },
    },
    SURVEY: "#0b4f8a",
    SWING: "#cc79a7",
    SWING_LINE: "#7b3f6b",
    CONTOUR: "rgba(106, 74, 30, 0.62)",
    CONTOUR_TEXT: "#5b3e16",
    ZONES: {
      "keep-clear": { colour: "#aa4499", text: "#7d2470", dash: [], word: "no post" },
      "no-fence": { colour: "#882255", text: "#882255", dash: [10, 3], word: "no fence" },
      setback: { colour: "#332288", text: "#332288", dash: [14, 4, 3, 4], word: "setback" },
      "max-height": { colour: "#117733", text: "#0d5c28", dash: [4, 4], word: "height limit" },
      splay: { colour: "#cc6677", text: "#99304a", dash: [12, 4, 3, 4, 3, 4], word: "visibility" },
      flood: { colour: "#44aa99", text: "#1c6a5e", dash: [8, 5], word: "flood" },
      consult: { colour: "#999933", text: "#5f5f12", dash: [2, 4], word: "consult" },
    },
    FINDINGS: [
      { shape: "octagon", fill: VERMILLION, radius: 8.5, mark: "bar", word: "Stop", meaning: "do not build this as it is" },
      { shape: "triangle", fill: "#e69f00", radius: 9.5, mark: "!", word: "Warn", meaning: "decide before building" },
      { shape: "disc", fill: "#0072b2", radius: 7.5, mark: "i", word: "Note", meaning: "good to know" },
    ],
  };

  const SIDES = { triangle: [3, -90], square: [4, 45], diamond: [4, 0], pentagon: [5, -90], hexagon: [6, 0], octagon: [8, 22.5] };

  function post(kind) {
    return style.POSTS[kind] || style.POSTS.line;
  }

  /** Outline of a shape about a point; `radius` is that of a disc of like weight. */
  function outline(context, shape, x, y, radius) {
    context.beginPath();
    if (shape === "disc") {
      context.arc(x, y, radius, 0, 2 * Math.PI);
      return;
    }
    const [sides, first] = SIDES[shape];
    const reach = shape === "square" ? radius * 1.25 : radius * 1.1;
    for (let side = 0; side < sides; side++) {
      const angle = ((first + (360 * side) / sides) * Math.PI) / 180;
      context.lineTo(x + reach * Math.cos(angle), y + reach * Math.sin(angle));
    }
    context.closePath();
  }

  function drawPost(context, kind, x, y, scale) {
    const look = post(kind);
    outline(context, look.shape, x, y, look.radius * scale);
    context.fillStyle = look.fill;
    context.fill();
    context.lineWidth = 1.4;
    context.strokeStyle = INK;
    context.stroke();
  }

  function drawFinding(context, severity, x, y) {
    const look = style.FINDINGS[severity];
    outline(context, look.shape, x, y, look.radius);
    context.lineJoin = "round";
    context.lineWidth = 4;
    context.strokeStyle = style.HALO;
    context.stroke();
    context.fillStyle = look.fill;
    context.fill();
    context.lineWidth = 1.4;
    context.strokeStyle = INK;
    context.stroke();
    context.fillStyle = look.mark === "i" ? PAPER : INK;
    if (look.mark === "bar") {
      context.fillStyle = PAPER;
      context.fillRect(x - 4.5, y - 1.6, 9, 3.2);
      return;
    }
    context.font = `bold 11px ${style.FONT}`;
    context.textAlign = "center";
    context.textBaseline = "middle";
    context.fillText(look.mark, x, y + (look.shape === "triangle" ? 1.2 : 0.5));
  }

  /** Strokes the path that `trace` lays as a bay of a gap class, over the limit, or a gate. */
  function strokeBay(context, colour, width, trace) {
    const path = new Path2D();
    trace(path);
    strokePath(context, colour, width, path);
  }

  /** The colour that tells a bay's class, where there is no room for its pattern. */
  function bayColour(colour) {
    if (colour === style.GATE) return PAPER;
    return colour === style.OVER ? VERMILLION : style.VIRIDIS[colour];
  }

  function strokePath(context, colour, width, path) {
    const over = colour === style.OVER;
    const line = (strokeStyle, lineWidth) => {
      context.strokeStyle = strokeStyle;
      context.lineWidth = lineWidth;
      context.stroke(path);
    };
    context.lineCap = "butt";
    context.lineJoin = "round";
    if (colour === style.GATE) {
      line(INK, width + 2);
      line(PAPER, width - 0.5);
      return;
    }
    line(INK, width + (over ? 4.5 : 2));
    line(over ? VERMILLION : style.VIRIDIS[colour], width + (over ? 2 : 0));
    if (!over) return;
    context.setLineDash([2, 5]);
    context.lineDashOffset = 4; // the colour first, so that the shortest piece shows it
    line(INK, width + 2);
    context.setLineDash([]);
    context.lineDashOffset = 0;
  }

  Object.assign(geofence, { style, drawPost, drawFinding, strokeBay, strokePath, bayColour, postLook: post });
})((window.geofence = window.geofence || {}));
