#include "proof/print_ready.h"

#define POINTERHOLDER_TRANSITION \
  4  // qpdf's own pointers, which std::shared_ptr replaced, are not used

#include <exception>
#include <memory>
#include <qpdf/Buffer.hh>
#include <qpdf/QPDF.hh>
#include <qpdf/QPDFWriter.hh>

namespace lapwright::proof {
namespace {

using Object = QPDFObjectHandle;

std::string finished(const std::string& pdf, const About& about,
                     const std::vector<unsigned char>& icc) {
  QPDF doc;
  doc.setSuppressWarnings(true);
  doc.processMemoryFile("the printed sheet", pdf.data(), pdf.size());
  Object root = doc.getRoot();

  Object profile = Object::newStream(&doc, std::string(icc.begin(), icc.end()));
  profile.getDict().replaceKey("/N", Object::newInteger(3));
  Object intent = Object::newDictionary();
  intent.replaceKey("/Type", Object::newName("/OutputIntent"));
  intent.replaceKey("/S", Object::newName("/GTS_PDFA1"));
  intent.replaceKey("/OutputConditionIdentifier", Object::newString("sRGB IEC61966-2.1"));
  intent.replaceKey("/Info", Object::newString("sRGB IEC61966-2.1"));
  intent.replaceKey("/DestOutputProfile", profile);
  root.replaceKey("/OutputIntents", Object::newArray({doc.makeIndirectObject(intent)}));

  Object metadata = Object::newStream(&doc, xmp_packet(about, "application/pdf", true));
  metadata.getDict().replaceKey("/Type", Object::newName("/Metadata"));
  metadata.getDict().replaceKey("/Subtype", Object::newName("/XML"));
  root.replaceKey("/Metadata", metadata);

  Object viewer = Object::newDictionary();
  viewer.replaceKey("/PrintScaling", Object::newName("/None"));
  viewer.replaceKey("/PickTrayByPDFSize", Object::newBool(true));
  viewer.replaceKey("/DisplayDocTitle", Object::newBool(true));
  root.replaceKey("/ViewerPreferences", viewer);

  // What a reader finds here and in the XMP must agree (ISO 19005-2, 6.6.2.3).
  Object info = Object::newDictionary();
  info.replaceKey("/Title", Object::newUnicodeString(about.title));
  if (!about.description.empty())
    info.replaceKey("/Subject", Object::newUnicodeString(about.description));
  doc.getTrailer().replaceKey("/Info", doc.makeIndirectObject(info));

  QPDFWriter writer(doc);
  writer.setOutputMemory();
  writer.setDeterministicID(true);
  writer.setMinimumPDFVersion("1.7");
  writer.setStreamDataMode(qpdf_s_preserve);
  writer.write();
  const std::shared_ptr<Buffer> out = writer.getBufferSharedPointer();
  return {reinterpret_cast<const char*>(out->getBuffer()), out->getSize()};
}

}  // namespace

Result<std::string> print_ready(const std::string& pdf, const About& about,
                                const std::vector<unsigned char>& icc) {
  try {
    return finished(pdf, about, icc);
  } catch (const std::exception& e) {
    return fail(Fault::internal, std::string("the printed sheet: ") + e.what());
  }
}

}  // namespace lapwright::proof
