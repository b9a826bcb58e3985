// Asking the station, and the outbox: every change waits on this device until the station has it.

/// Who this browser is for the station: visitor 'operator' or 'reviewer', and which tablet; empty until it is known.
export const me = {};
/// Called when the station says that this browser is not let in (any more).
export const turnedAway = new Set();

function answered(reply, body) {
  if (reply.ok) return body;
  if (reply.status === 401) for (const told of turnedAway) told();
  const error = new Error(body.say || `the station answered ${reply.status}`);
  error.status = reply.status;
  throw error;
}

export async function ask(path) {
  const reply = await fetch(path, { headers: { Accept: 'application/json' } });
  return answered(reply, await reply.json().catch(() => ({})));
}

export async function askWhoIAm() {
  const known = await ask('/api/me');
  for (const key of Object.keys(me)) delete me[key];
  return Object.assign(me, known);
}

/// A change that must be answered now, and is not kept when it cannot.
export async function change(method, path, body) {
  const reply = await fetch(path, { method, headers: { 'Content-Type': 'application/json', 'Lapwright-Change': '1' }, body: JSON.stringify(body) });
  return answered(reply, await reply.json().catch(() => ({})));
}

const database = new Promise((resolve) => {
  let request;
  try {
    request = indexedDB.open('lapwright-outbox', 1);
  } catch {
    resolve(null);
    return;
  }
  request.onupgradeneeded = () => request.result.createObjectStore('changes', { keyPath: 'number', autoIncrement: true });
  request.onsuccess = () => resolve(request.result);
  request.onerror = () => resolve(null);
});

function stored(mode, act) {
  return database.then((db) => new Promise((resolve, reject) => {
    if (!db) { resolve(undefined); return; }
    const transaction = db.transaction('changes', mode, { durability: 'strict' });
    const request = act(transaction.objectStore('changes'));
    transaction.oncomplete = () => resolve(request.result);
    transaction.onerror = transaction.onabort = () => reject(transaction.error);
  }));
}

class Outbox {
  constructor() {
    this.waiting = [];
    this.listeners = new Set();
    this.pumping = false;
    this.wait = 1000;
    this.loaded = stored('readonly', (s) => s.getAll()).then((all) => {
      this.waiting = [...(all || []), ...this.waiting];
    }).catch(() => {}).then(() => {
      this.tell();
      this.pump();
    });
    addEventListener('online', () => this.pump(true));
    document.addEventListener('visibilitychange', () => { if (!document.hidden) this.pump(true); });
  }

  /// Keeps the change on this device, then sends it when it can.
  async put(method, path, body) {
    await this.loaded;
    const change = { method, path, body };
    this.waiting.push(change);
    change.written = stored('readwrite', (s) => s.add({ method, path, body })).catch(() => undefined)
      .then((number) => { change.number = number; });
    this.tell();
    await change.written;
    this.tell();
    this.pump();
  }

  /// Whether some change is nowhere but in this page as yet.
  get unwritten() { return this.waiting.some((c) => c.number === undefined); }

  of(prefix) { return this.waiting.filter((c) => c.path.startsWith(prefix)); }

  async pump(now = false) {
    if (now) { clearTimeout(this.timer); this.wait = 1000; }
    if (this.pumping) return;
    this.pumping = true;
    while (this.waiting.length) {
      const change = this.waiting[0];
      await change.written;  // sent before it is written down, it would stay written down for ever
      // Another window of this browser may have sent it.
      if (change.number !== undefined && !(await stored('readonly', (s) => s.get(change.number)).catch(() => change))) {
        this.waiting.shift();
        continue;
      }
      let status = 0;
      let say = '';
      let pause = 0;
      try {
        const reply = await fetch(change.path, {
          method: change.method,
          headers: { 'Content-Type': 'application/json', 'Lapwright-Change': '1' },
          body: change.method === 'DELETE' ? undefined : JSON.stringify(change.body),
          signal: AbortSignal.timeout ? AbortSignal.timeout(15000) : undefined,
        });
        status = reply.status;
        pause = 1000 * Number(reply.headers.get('Retry-After') || 0);
        say = (await reply.json().catch(() => ({}))).say || '';
      } catch {
        status = 0;
      }
      // Not now: no way there, trouble there, not let in (any more), too much at once.
      if (status === 0 || status >= 500 || status === 401 || status === 408 || status === 429) {
        if (status === 401) for (const told of turnedAway) told();
        else if (say) this.tell(`Not saved yet: ${say}`);
        clearTimeout(this.timer);
        this.timer = setTimeout(() => this.pump(), Math.max(this.wait, Math.min(pause, 60000)));
        this.wait = Math.min(this.wait * 2, 15000);
        break;
      }
      this.wait = 1000;
      this.waiting.shift();
      if (change.number !== undefined) await stored('readwrite', (s) => s.delete(change.number)).catch(() => {});
      if (status >= 400) this.tell(`A mark was not taken: ${say || status}`);
      else this.tell();
    }
    this.pumping = false;
    this.tell();
  }

  tell(trouble) { for (const l of this.listeners) l(this.waiting.length, trouble, this.unwritten); }
}

export const outbox = new Outbox();

export function newId() {
  if (crypto.randomUUID) return crypto.randomUUID();
  const b = crypto.getRandomValues(new Uint8Array(16));
  b[6] = (b[6] & 15) | 64;
  b[8] = (b[8] & 63) | 128;
  const h = [...b].map((v) => v.toString(16).padStart(2, '0')).join('');
  return `${h.slice(0, 8)}-${h.slice(8, 12)}-${h.slice(12, 16)}-${h.slice(16, 20)}-${h.slice(20)}`;
}

/// A roll as the station has it, with what still waits here put on top.
export async function roll(address) {
  const known = await ask(`/api/rolls/${address}`);
  await outbox.loaded;
  const base = `/api/rolls/${address}/`;
  for (const change of outbox.of(base)) {
    const [what, id, member] = change.path.slice(base.length).split('/').map(decodeURIComponent);
    if (what === 'ink') {
      known.ink = known.ink.filter((s) => s.id !== id);
      if (change.method === 'PUT') known.ink.push({ id, ...change.body });
    } else {
      const frame = known.frames.find((f) => f.frame === id);
      if (frame) frame[member] = change.body[member];
    }
  }
  return known;
}
