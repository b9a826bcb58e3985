// Another program's way into the archive: the IIIF collection is opened with a parser that this project did not write, each manifest strictly, its
// pictures asked for as that parser builds the addresses, its marks taken as annotations: iiif_client.mjs OUTSIDE URL
import assert from 'node:assert/strict';
import { createRequire } from 'node:module';
import { dirname, join, resolve } from 'node:path';
import { pathToFileURL } from 'node:url';

const [outside, url] = process.argv.slice(2);
const from = dirname(createRequire(resolve(outside, 'package.json')).resolve('@iiif/parser'));
const { Traverse, normalize } = await import(pathToFileURL(join(from, 'index.js')));
const { presentation3StrictUpgrade } = await import(pathToFileURL(join(from, 'strict.js')));
const { createImageServiceRequest, imageServiceRequestToString, isImageService } = await import(pathToFileURL(join(from, 'image-3.js')));

async function json(address) {
  const reply = await fetch(address, { headers: { Accept: 'application/ld+json' } });
  assert.equal(reply.status, 200, address);
  assert.match(reply.headers.get('content-type'), /json/, address);
  return reply.json();
}
async function jpeg(address) {
  const reply = await fetch(address);
  assert.equal(reply.status, 200, address);
  const bytes = new Uint8Array(await reply.arrayBuffer());
  assert.equal(bytes[0] * 256 + bytes[1], 0xffd8, address);
  for (let i = 2; i < bytes.length;) {  // the size stands in the frame's header (ITU-T T.81, B.2.2)
    if (bytes[i + 1] >= 0xc0 && bytes[i + 1] <= 0xc2) return [bytes[i + 7] * 256 + bytes[i + 8], bytes[i + 5] * 256 + bytes[i + 6]];
    i += 2 + bytes[i + 2] * 256 + bytes[i + 3];
  }
  return assert.fail(`${address}: no size`);
}

// Warnings of a reader that mends what is not as Presentation 3.0 says; a manifest spoilt on purpose shows that it looks.
const warnings = (document) => {
  const state = { warnings: [] };
  presentation3StrictUpgrade(structuredClone(document), state);
  return state.warnings;
};

const collection = await json(new URL('iiif/collection.json', url));
let pictures = 0;
let frames = 0;
let marks = 0;
for (const { id } of collection.items) {
  const document = await json(id);
  assert.deepEqual(warnings(document), []);
  assert.notDeepEqual(warnings({ ...document, label: 'a roll', items: [{ ...document.items[0], height: undefined }] }), []);
  const { entities, resource } = normalize(document);
  assert.equal(resource.type, 'Manifest');
  const manifest = entities.Manifest[resource.id];
  for (const ref of manifest.items) {
    const canvas = entities.Canvas[ref.id];
    const painting = entities.Annotation[entities.AnnotationPage[canvas.items[0].id].items[0].id];
    assert.deepEqual(painting.motivation, ['painting']);
    const body = entities.ContentResource[painting.body[0].id];
    const service = body.service[0];
    assert.ok(isImageService(service));
    const info = await json(`${service.id}/info.json`);
    assert.deepEqual([info.width, info.height], [canvas.width, canvas.height]);
    assert.deepEqual(await jpeg(body.id), [body.width, body.height]);
    for (const size of info.sizes) {
      const ask = createImageServiceRequest(info);
      ask.size = { ...ask.size, ...size, max: false };
      assert.deepEqual(await jpeg(imageServiceRequestToString(ask, info)), [size.width, size.height]);
      ++pictures;
    }
    for (const page of canvas.annotations) {
      const items = await json(page.id);
      new Traverse({ annotation: [(a) => { assert.ok(a.target && a.motivation, JSON.stringify(a)); ++marks; return a; }] }).traverseAnnotationPage(items);
    }
  }
  for (const strip of manifest.structures)
    for (const frame of entities.Range[strip.id].items) {
      const { items } = entities.Range[frame.id];
      assert.match(JSON.stringify(items[0]), /xywh=/);
      ++frames;
    }
}
console.log(JSON.stringify({ rolls: collection.items.length, pictures, frames, marks }));
