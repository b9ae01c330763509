(function () {
  var d = document, plot = d.getElementById("plot"), slider = d.getElementById("time"), out = d.getElementById("read");
  if (!plot || !slider || !out) return;
  d.documentElement.classList.add("js");
  var left = +plot.dataset.left, right = +plot.dataset.right, seconds = +plot.dataset.seconds;

  // A curve is read back from its path: runs of [x, y], one run for each stretch without a gap.
  function runs(path) {
    var all = [], run, part, re = /([MLVh])([-\d.]+)(?: ([-\d.]+))?/g;
    while ((part = re.exec(path))) {
      if (part[1] === "M") all.push(run = []);
      if (part[1] === "V") run.push([run[run.length - 1][0], +part[2]]);
      else if (part[1] !== "h") run.push([+part[2], +part[3]]);
    }
    return all;
  }
  var panels = [].map.call(plot.querySelectorAll(".pa"), function (g) {
    var line = d.getElementById(g.dataset.line);
    return { name: g.dataset.name, unit: g.dataset.unit, low: +g.dataset.low, high: +g.dataset.high, height: +g.dataset.height,
      digits: g.dataset.unit === "mm" ? 0 : 1, runs: line ? runs(line.getAttribute("d")) : [] };
  });
  function at(panel, x) {
    for (var i = 0; i < panel.runs.length; i++) {
      var run = panel.runs[i];
      if (x < run[0][0] - 1 || x > run[run.length - 1][0] + 1) continue;
      for (var k = 1; k < run.length - 1 && run[k][0] < x; k++);
      var b = run[Math.min(k, run.length - 1)], a = run[Math.max(0, Math.min(k, run.length - 1) - 1)];
      var y = b[0] === a[0] ? b[1] : a[1] + (b[1] - a[1]) * Math.max(0, Math.min(1, (x - a[0]) / (b[0] - a[0])));
      return (panel.high - y / panel.height * (panel.high - panel.low)).toFixed(panel.digits).replace("-", "\u2212") + " " + panel.unit;
    }
    return "no value";
  }
  function two(n) { return (n < 10 ? "0" : "") + n; }
  function clock(t) {
    var s = two(Math.floor(t / 60) % 60) + ":" + two(Math.floor(t) % 60);
    return seconds > 3600 ? two(Math.floor(t / 3600)) + ":" + s : seconds === 3600 && t >= 3600 ? "60:00" : s;
  }
  function show() {
    var t = +slider.value, x = left + (right - left) * (seconds ? t / seconds : 0);
    var cursor = d.getElementById("cursor");
    cursor.setAttribute("d", "M" + x + " 0V" + plot.viewBox.baseVal.height);
    cursor.setAttribute("visibility", "visible");
    out.textContent = "";
    var head = d.createElement("b"), text = [];
    head.textContent = clock(t) + ", read from the picture";
    out.appendChild(head);
    for (var i = 0; i < panels.length; i += 2) {
      var e = d.createElement("span");
      e.textContent = panels[i].name.replace(" pressure", "") + "  " + at(panels[i], x) + ", " + at(panels[i + 1], x);
      text.push(e.textContent);
      out.appendChild(e);
    }
    slider.setAttribute("aria-valuetext", clock(t) + ". " + text.join("; "));
  }
  slider.max = seconds;
  slider.step = Math.max(1, Math.round(seconds / 1800));
  slider.value = 0;
  show();
  d.getElementById("cursor").setAttribute("visibility", "hidden");
  slider.addEventListener("input", show);
  plot.addEventListener("pointermove", function (e) {
    var box = plot.getBoundingClientRect(), x = (e.clientX - box.left) / box.width * plot.viewBox.baseVal.width;
    if (x < left || x > right) return;
    slider.value = (x - left) / (right - left) * seconds;
    show();
  });
})();
