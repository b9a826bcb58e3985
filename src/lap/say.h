// The sentences of the lap check, in millimetres and directions of the bed as the person stands
// before it.
//
// Bed x grows to the right, y from the hinge towards the person. Units: millimetres. Thread: pure.
// Errors: none.
#pragma once

#include <array>
#include <string>

namespace lapwright::lap {

/// "38 mm to the left and 4 mm towards you"; parts under half a millimetre are left out, "" when
/// nothing is left.
std::string way(std::array<double, 2> bed_mm);
/// "3.2"
std::string mm(double value);

}  // namespace lapwright::lap
