#include "bed/status.h"

#include <sane/sane.h>

namespace lapwright::bed {

Error explain(int status, const std::string& while_doing) {
  const auto say = [&](Fault fault, const std::string& what) {
    return Error{fault, while_doing + ": " + what};
  };
  switch (status) {
    case SANE_STATUS_GOOD:
      return say(Fault::internal, "nothing went wrong");
    case SANE_STATUS_UNSUPPORTED:
      return say(Fault::unavailable,
                 "the flatbed's driver cannot do this; look for a newer driver or another entry in "
                 "dll.conf");
    case SANE_STATUS_CANCELLED:
      return say(Fault::cancelled,
                 "cancelled at the flatbed's own key or by its driver; make the pass again");
    case SANE_STATUS_DEVICE_BUSY:
      return say(Fault::try_again,
                 "the flatbed is busy or still warming up; close other programs that use it, wait "
                 "a minute and try again");
    case SANE_STATUS_INVAL:
      return say(Fault::unavailable,
                 "the flatbed refuses this; see that it is switched on and plugged in and try "
                 "again; lapwright beds lists its name and what it offers");
    case SANE_STATUS_EOF:
      return say(Fault::io,
                 "the driver says that the picture ended before it began; make the pass again");
    case SANE_STATUS_JAMMED:
      return say(
          Fault::unavailable,
          "the flatbed's carriage is stuck; open its transport lock, switch it off and on, and "
          "make the pass again");
    case SANE_STATUS_NO_DOCS:
      return say(Fault::unavailable,
                 "the flatbed looks for paper in a feeder, not for film; name its film light "
                 "(source) under "
                 "the bed profile's options");
    case SANE_STATUS_COVER_OPEN:
      return say(Fault::try_again, "the lid is open; close it and make the pass again");
    case SANE_STATUS_IO_ERROR:
      return say(Fault::io,
                 "the connection to the flatbed failed; check its cable, switch it off and on, and "
                 "make the pass again");
    case SANE_STATUS_NO_MEM:
      return say(Fault::unavailable,
                 "the driver has no memory for this; close other programs and try again, or choose "
                 "a lower "
                 "resolution");
    case SANE_STATUS_ACCESS_DENIED:
      return say(Fault::unavailable,
                 "access to the flatbed is denied; install the udev rules, or add yourself to the "
                 "group scanner and log in again");
    default:
      return say(Fault::io, "the driver answered with an unknown status (" +
                                std::to_string(status) +
                                "); switch the flatbed off and on, and try again");
  }
}

}  // namespace lapwright::bed
