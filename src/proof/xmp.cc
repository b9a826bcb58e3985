#include "proof/xmp.h"

#include <cstdio>

#include "core/files.h"

namespace lapwright::proof {
namespace {

/// A text as XML holds it; bytes that XML cannot hold, or that are no UTF-8, become U+FFFD.
std::string escaped(const std::string& text) {
  std::string out;
  for (std::size_t i = 0; i < text.size();) {
    const auto lead = static_cast<unsigned char>(text[i]);
    const std::size_t n = lead < 0x80                   ? 1
                          : lead >= 0xc2 && lead < 0xe0 ? 2
                          : lead >= 0xe0 && lead < 0xf0 ? 3
                          : lead >= 0xf0 && lead < 0xf5 ? 4
                                                        : 0;
    bool whole = n > 0 && i + n <= text.size();
    for (std::size_t k = 1; whole && k < n; ++k)
      whole = (static_cast<unsigned char>(text[i + k]) & 0xc0) == 0x80;
    std::uint32_t code = n == 1 ? lead : lead & (0xffU >> (n + 1));
    for (std::size_t k = 1; whole && k < n; ++k)
      code = code << 6 | (static_cast<unsigned char>(text[i + k]) & 0x3f);
    // Too long a form, half of a pair, no character (XML 1.0, section 2.2).
    static constexpr std::uint32_t least[5] = {0, 0, 0x80, 0x800, 0x10000};
    whole = whole && code >= least[n] && code <= 0x10ffff && (code < 0xd800 || code > 0xdfff) &&
            code != 0xfffe && code != 0xffff &&
            (code >= 0x20 || code == '\t' || code == '\n' || code == '\r');
    if (!whole)
      out += "\xef\xbf\xbd";
    else if (code == '&')
      out += "&amp;";
    else if (code == '<')
      out += "&lt;";
    else if (code == '>')
      out += "&gt;";
    else
      out += text.substr(i, n);
    i += whole ? n : 1;
  }
  return out;
}

std::string element(const std::string& name, const std::string& text) {
  return text.empty() ? "" : "   <" + name + ">" + escaped(text) + "</" + name + ">\n";
}
std::string alternatives(const std::string& name, const std::string& text) {
  if (text.empty()) return "";
  return "   <" + name + "><rdf:Alt><rdf:li xml:lang=\"x-default\">" + escaped(text) +
         "</rdf:li></rdf:Alt></" + name + ">\n";
}

std::string share(double v) {
  char text[32];
  std::snprintf(text, sizeof text, "%.5f", v);
  return text;
}

std::string regions(const std::vector<Region>& frames) {
  if (frames.empty()) return "";
  std::string out = "   <Iptc4xmpExt:ImageRegion><rdf:Bag>\n";
  for (const Region& f : frames) {
    out += "    <rdf:li rdf:parseType=\"Resource\"><Iptc4xmpExt:rId>frame-" + escaped(f.name) +
           "</Iptc4xmpExt:rId><Iptc4xmpExt:Name><rdf:Alt><rdf:li xml:lang=\"x-default\">" +
           escaped(f.name) +
           "</rdf:li></rdf:Alt></Iptc4xmpExt:Name>"
           "<Iptc4xmpExt:RegionBoundary rdf:parseType=\"Resource\">"
           "<Iptc4xmpExt:rbShape>polygon</Iptc4xmpExt:rbShape>"
           "<Iptc4xmpExt:rbUnit>relative</Iptc4xmpExt:rbUnit><Iptc4xmpExt:rbVertices><rdf:Seq>";
    for (const auto& c : f.corners)
      out += "<rdf:li rdf:parseType=\"Resource\"><Iptc4xmpExt:rbX>" + share(c[0]) +
             "</Iptc4xmpExt:rbX><Iptc4xmpExt:rbY>" + share(c[1]) + "</Iptc4xmpExt:rbY></rdf:li>";
    out += "</rdf:Seq></Iptc4xmpExt:rbVertices></Iptc4xmpExt:RegionBoundary></rdf:li>\n";
  }
  return out + "   </rdf:Bag></Iptc4xmpExt:ImageRegion>\n";
}

std::string packet(const About& about, const std::string& format, bool for_print,
                   bool with_frames) {
  std::string out =
      "<?xpacket begin=\"\xef\xbb\xbf\" id=\"W5M0MpCehiHzreSzNTczkc9d\"?>\n"
      "<x:xmpmeta xmlns:x=\"adobe:ns:meta/\">\n"
      " <rdf:RDF xmlns:rdf=\"http://www.w3.org/1999/02/22-rdf-syntax-ns#\">\n"
      "  <rdf:Description rdf:about=\"\"\n"
      "    xmlns:dc=\"http://purl.org/dc/elements/1.1/\"\n"
      "    xmlns:xmp=\"http://ns.adobe.com/xap/1.0/\"\n"
      "    xmlns:xmpMM=\"http://ns.adobe.com/xap/1.0/mm/\"\n"
      "    xmlns:stRef=\"http://ns.adobe.com/xap/1.0/sType/ResourceRef#\"\n";
  if (for_print)
    out +=
        "    xmlns:pdf=\"http://ns.adobe.com/pdf/1.3/\"\n"
        "    xmlns:pdfaid=\"http://www.aiim.org/pdfa/ns/id/\"\n";
  if (with_frames) out += "    xmlns:Iptc4xmpExt=\"http://iptc.org/std/Iptc4xmpExt/2008-02-29/\"\n";
  out.back() = '>';
  out += "\n";
  if (for_print)
    out += element("pdfaid:part", "2") + element("pdfaid:conformance", "B") +
           element("pdf:Producer", "lapwright");
  out += element("dc:format", format) + element("dc:identifier", about.identifier) +
         alternatives("dc:title", about.title) + alternatives("dc:description", about.description) +
         element("xmp:CreatorTool", "lapwright") +
         element("xmp:CreateDate", for_print && about.created.size() == 10
                                       ? about.created + "T00:00:00Z"
                                       : about.created) +
         element("xmpMM:DocumentID", document_id(about));
  if (!about.sheet.empty())
    out += "   <xmpMM:DerivedFrom rdf:parseType=\"Resource\"><stRef:documentID>sha256:" +
           escaped(about.sheet) + "</stRef:documentID></xmpMM:DerivedFrom>\n";
  if (with_frames) out += regions(about.frames);
  out += "  </rdf:Description>\n </rdf:RDF>\n</x:xmpmeta>\n<?xpacket end=\"r\"?>";
  return out;
}

}  // namespace

std::string document_id(const About& about) {
  core::Sha256 sum;
  const std::string what = "lapwright proof\n" + about.identifier + "\n" + about.sheet;
  sum.add(what.data(), what.size());
  std::string hex = sum.hex().substr(0, 32);
  // RFC 9562: version 8 (made its own way), variant 10.
  hex[12] = '8', hex[16] = "89ab"[static_cast<std::size_t>(hex[16]) % 4];
  for (const std::size_t at : {20U, 16U, 12U, 8U}) hex.insert(at, "-");
  return "urn:uuid:" + hex;
}

std::string xmp_packet(const About& about, const std::string& format, bool for_print,
                       std::size_t most_bytes) {
  std::string whole = packet(about, format, for_print, !about.frames.empty());
  return whole.size() <= most_bytes ? whole : packet(about, format, for_print, false);
}

}  // namespace lapwright::proof
