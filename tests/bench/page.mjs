// The browser's and the readers' part of page.py: page.mjs OUTSIDE look URL FOLDER ROLL ROUNDS | OUTSIDE readers URL IMAGE COUNT
import { createReadStream, existsSync, readFileSync, statSync } from 'node:fs';
import http from 'node:http';
import { join, normalize } from 'node:path';
import { launch, pause } from '../outside/browser.mjs';

const [outside, what, url, ...rest] = process.argv.slice(2);

/// A folder, handed out as it is.
async function serve(folder, html) {
  const server = http.createServer((request, reply) => {
    const path = decodeURIComponent(request.url.split('?')[0]);
    const origin = `http://${request.headers.host}`;
    if (path === '/') return reply.writeHead(200, { 'Content-Type': 'text/html' }).end(html);
    if (path === '/i/info.json') return reply.writeHead(200, { 'Content-Type': 'application/json' }).end(readFileSync(join(folder, path), 'utf8').replace('ORIGIN', origin));
    const file = join(folder, normalize(path));
    if (!existsSync(file)) return reply.writeHead(404).end();
    reply.writeHead(200, { 'Content-Type': file.endsWith('.js') ? 'text/javascript' : 'image/jpeg', 'Content-Length': statSync(file).size, 'Cache-Control': 'private, max-age=31536000, immutable' });
    return createReadStream(file).pipe(reply);
  });
  await new Promise((done) => server.listen(0, '127.0.0.1', done));
  return { server, url: `http://127.0.0.1:${server.address().port}/` };
}

async function look(folder, roll, rounds) {
  const browser = await launch(outside);
  const nothing = () => ({ first: [], tiles: [], jump: [] });
  const seen = { page: nothing(), folder: nothing() };
  // The first picture is there when the whole sheet is seen as sharp as it is shown: in one piece, or when the viewer has its tiles.
  const whole = () => new Promise((done) => {
    let first = 0;
    const ready = () => {
      const picture = document.querySelector('img.first');
      const shown = picture?.getBoundingClientRect().width;
      if (picture?.complete && shown > 0 && picture.naturalWidth >= shown * devicePixelRatio) first ||= performance.now();
      const element = document.querySelector('.viewer');
      const viewer = element && window.OpenSeadragon?.getViewer(element);
      if (viewer?.world.getItemCount() && viewer.world.getItemAt(0).getFullyLoaded()) done({ first: first || performance.now(), tiles: performance.now() });
      else requestAnimationFrame(ready);
    };
    ready();
  });
  const jump = ([x, y]) => new Promise((done) => {
    const viewer = window.OpenSeadragon.getViewer(document.querySelector('.viewer'));
    const item = viewer.world.getItemAt(0);
    const size = item.getContentSize();
    const began = performance.now();
    viewer.viewport.zoomTo(viewer.viewport.imageToViewportZoom(1), null, true);
    viewer.viewport.panTo(viewer.viewport.imageToViewportCoordinates(size.x * x, size.y * y), true);
    viewer.forceRedraw();
    let frames = 0;
    const ready = () => {
      if (++frames > 3 && item.getFullyLoaded()) done(performance.now() - began);
      else requestAnimationFrame(ready);
    };
    requestAnimationFrame(ready);
  });
  let box = null;
  const once = async (who, address, round) => {
    const context = await browser.newContext({ viewport: { width: 1360, height: 860 } });
    const page = await context.newPage();
    await page.goto(address, { waitUntil: 'commit' });
    const { first, tiles } = await page.evaluate(whole);
    seen[who].first.push(first);
    seen[who].tiles.push(tiles);
    box ||= await page.locator('.viewer').boundingBox();
    await pause(300);
    seen[who].jump.push(await page.evaluate(jump, [0.15 + 0.13 * round, 0.8 - 0.12 * round]));
    await context.close();
  };
  try {
    const sheet = `${url}#/roll/${encodeURIComponent(roll)}/`;
    await once('page', sheet, 0);  // programs and files warm; tells how large the viewer is
    seen.page = nothing();
    const html = `<!doctype html><meta charset="utf-8"><div class="viewer" style="width:${box.width}px;height:${box.height}px"></div><script src="openseadragon.min.js"></script>
<script>OpenSeadragon({ element: document.querySelector('.viewer'), tileSources: '/i/info.json', drawer: 'canvas', showNavigationControl: false, imageLoaderLimit: 6 })</script>`;
    const plain = await serve(folder, html);
    await once('folder', plain.url, 0);
    seen.folder = nothing();
    for (let round = 0; round < rounds; ++round) {
      await once('page', sheet, round);
      await once('folder', plain.url, round);
    }
    plain.server.close();
  } finally {
    await browser.close();
  }
  console.log(JSON.stringify(seen));
}

/// Each holds a screenful and moves it by a third now and then, as a hand does; five connections each.
async function readers(image, count) {
  const address = new URL(url);
  const get = (path, agent) => new Promise((done, failed) => {
    http.get({ host: address.hostname, port: address.port, path, agent }, (reply) => {
      let bytes = 0;
      reply.on('data', (chunk) => { bytes += chunk.length; });
      reply.on('end', () => done({ status: reply.statusCode, bytes }));
      reply.on('error', failed);
    }).on('error', failed);
  });
  const info = JSON.parse(await new Promise((done) => { http.get(`${address.origin}${image}/info.json`, (r) => { let s = ''; r.on('data', (c) => { s += c; }); r.on('end', () => done(s)); }); }));
  const tile = info.tiles[0].width;
  const across = Math.floor(info.width / tile) - 1;
  const down = Math.floor(info.height / tile) - 1;
  const times = [];
  let wrong = 0;
  let over = false;
  process.on('SIGTERM', () => { over = true; });
  const one = async (n) => {
    const agent = new http.Agent({ keepAlive: true, maxSockets: 5 });
    let state = 1000 + n * 7919;
    const random = () => { state = (state * 1103515245 + 12345) % 2147483648; return state / 2147483648; };
    let [x, y] = [Math.floor(random() * across), Math.floor(random() * down)];
    const had = new Set();
    while (!over) {
      const wanted = [];
      for (let j = 0; j < 3; ++j)
        for (let i = 0; i < 4; ++i)
          if (x + i < across && y + j < down && !had.has(`${x + i},${y + j}`)) wanted.push([x + i, y + j]);
      await Promise.all(wanted.map(async ([i, j]) => {
        had.add(`${i},${j}`);
        const began = performance.now();
        const { status, bytes } = await get(`${image}/${i * tile},${j * tile},${tile},${tile}/${tile},${tile}/0/default.jpg`, agent).catch(() => ({}));
        times.push(performance.now() - began);
        if (status !== 200 || !(bytes > 500)) ++wrong;
      }));
      if (had.size > 400) had.clear();
      await pause(250 + 300 * random());
      [x, y] = [Math.max(0, Math.min(across - 4, x + Math.round(random() * 4 - 2))), Math.max(0, Math.min(down - 3, y + Math.round(random() * 4 - 2)))];
    }
    agent.destroy();
  };
  await Promise.all(Array.from({ length: count }, (_, n) => one(n)));
  times.sort((a, b) => a - b);
  const at = (q) => times[Math.min(times.length - 1, Math.floor(times.length * q))];
  console.log(JSON.stringify({ tiles: times.length, wrong, p50: at(0.5), p99: at(0.99), worst: at(1) }));
}

if (what === 'look') await look(rest[0], rest[1], Number(rest[2]));
else await readers(rest[0], Number(rest[1]));
